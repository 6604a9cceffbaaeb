"""When will a lamp be too weak, and is it the lamp, the sleeve, the water or the sensor?

- `daily_series`: the days of many units as arrays (`FleetDays`, `fleet_days`)
- `sensor_faults`, `daily_faults`: sensors that cannot be believed (`daily_signal`, `sensor_faults`,
  `standing_faults`); `level_jumps`: light that rose by itself (`standing_jumps`);
  `filters`: what the filters before the unit cost in flow (`filter_losses`)
- `decay`: the joint fit over a unit's whole life (`FleetFit`, `fleet_fit`), from `design_matrix` (its columns),
  `robust` (the days weighed), `turbidity_events` (cloudy spells taken out by their course), `autocorrelation` (what
  neighbouring days have in common), `change_points` (jumps that nobody wrote down), `empirical_bayes` (what units
  of a kind lend each other), `water_trend` and `seasons` (the water)
- `forecast`: the crossing of the threshold as dates with their odds (`Crossing`, `crossing`, `present_state`,
  `outlook`, `average_year`); `diagnosis`: cause and action (`Diagnosis`, `diagnosis`, `LossCause`, `Action`);
  `advice`: what is said of a lamp in the end (`Advice`, `advice`); `standing`: how it stands against its need, and
  which comes first (`LampFigures`, `Standing`)
- `backtest`: how good such dates have been (`Calibration`, `calibration`)

Import from the module: the fit loads scipy's signal and stats, most of a second, which the evaluation after each
message and `tarnlight status` do without.
"""
