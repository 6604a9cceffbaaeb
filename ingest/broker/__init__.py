"""Who may connect to the broker, and what may each write?

`files` writes a mosquitto's configuration, passwords and rights for the enrolled fleet, `folder` keeps them from
other users of the machine, `tls` judges certificates before anything is written.
"""
