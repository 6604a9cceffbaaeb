"""Who may connect to the broker, and what may each write?

`files` writes a mosquitto's configuration, passwords and rights for the enrolled fleet, `folder` keeps them from
other users of the machine, `tls` judges certificates before anything is written. `bridge` is how a cabin's own
broker hands on to the centre's, `uplink` the process that carries it there.
"""
