"""What the pages draw, as pure functions: frames in, a plotly figure out. `margin` is the evidence of a
verdict and `readings` what that is made of, `margin_line` the margin as a small picture (SVG) for lists,
`lamp_line` the same of a lamp, `after_cut` the days around a power cut on a phone, `lamps` trends and trips."""
