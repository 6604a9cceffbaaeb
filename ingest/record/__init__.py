"""What did people do, find, or take back?

`advisories` carries out what a person does to an advisory, `advisory_log` is its append-only record, `laboratory`
keeps results, `corrections` withdraws a record or puts another in its place, `guests` finds the stays that water
touched before anybody knew.
"""
