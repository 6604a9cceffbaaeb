"""What the pages draw, as pure functions: frames in, a plotly figure out. `readings` is the evidence of a
verdict, `after_cut` the days around a power cut on a phone, `lamps` trends and trips."""
