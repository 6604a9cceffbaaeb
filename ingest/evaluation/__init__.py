"""What does that mean for the water?

After each commit, for the units that it touched and no others: `evaluate` works out intervals, states and hours,
`judging` fetches what judging needs and adds doses, `watch` weighs what is short of dose (`exposed`) and the proofs
of open advisories (`proofs_now`), `daily` keeps the day for the lamps' fit. `sensor_checks` joins recorded checks,
`sensor_trust` what checks, days and readings say of a sensor,
`faults` notes what the program could not work out, `backfill` takes in a past in one go.
"""
