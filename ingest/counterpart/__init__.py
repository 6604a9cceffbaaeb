"""What do a cabin's own collector and the centre's tell each other of that cabin?

A cabin with a broker of its own may have a collector beside it, which judges through a cut of the link. Over the
bridge of its broker it and the centre's tell each other their verdicts (`words`) and what people recorded
(`records`: services, steps, lifts), on topics that each writes alone: `tarnlight/<cabin>/up/...` the cabin's,
`.../down/...` the centre's. `exchange` is what the collector turns.
"""
