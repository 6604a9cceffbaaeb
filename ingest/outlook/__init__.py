"""Which lamps are due, and which trips follow?

`lamps` asks the store for what `models.lamp` needs (`lamp_days`) and gives each lamp's outlook (`lamp_states` in
the terms of trips, `lamp_history` what each read of its need); `visits` plans from it with `visit_tasks` (what is
to be done where) and `trip_settings` (the van, its base, its hours); `visit_compare` holds the plan against the
anniversary rule.
"""
