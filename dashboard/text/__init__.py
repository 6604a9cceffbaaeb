"""What people read, as pure functions: verdicts, lamps and trips (`lamp_rows`, `visit_rows`: a row each), what is
recovered after a cut, records of service, outages by the day, a dose step by step; `measures` gives times and
numbers in the reader's zone and units, `markup` is the one place where text from outside is escaped."""
