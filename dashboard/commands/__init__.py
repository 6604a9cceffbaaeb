"""The commands of `tarnlight`, one module a group; each adds itself with `add`."""

# What each is for, in the order of the help: here, so that the list of them loads none.
HELP = {
    "demo": "run everything on simulated cabins: broker, feeds, collector, page",
    "collect": "run the collector: messages in, store served to the others",
    "show": "run the dashboard on a running collector",
    "feed": "publish simulated loggers to any broker",
    "enroll": "write the registry from a fleet.toml, or print it as one",
    "broker": "write a mosquitto's files for the enrolled fleet, or add its new units to them",
    "load": "load sensor logs (CSV, or SenML JSON lines)",
    "status": "say of every unit whether its tap may be drunk from",
    "outages": "list the time that was not lit, and the water drawn in it",
    "events": "list the power cuts and silences that several cabins share, with each cabin's own advisory",
    "backup": "copy the store while it runs",
    "restore": "put such a copy in the store's place, and keep what stood there",
    "doctor": "say what is wrong with this set-up",
    "autostart": "write service files, so that collector and page start with the machine",
    "alive": "look whether the collector lives, and tell the managers where it does not",
    "lamps": "say of every lamp when it will be too weak, why, and what to do",
    "visits": "plan the next trips: which cabins, in which order, with which parts",
    "advisory": "list, show, record a step of, raise or lift a boil advisory",
    "service": "record what was done to a unit",
    "quarantine": "list readings that were set aside for their time, or release them with a correction",
    "notice": "write the notice to hang at the tap, a PDF of one page",
    "report": "print the record of one cabin's month",
    "dose": "work out the dose of one reading, step by step",
    "bleach": "say how much bleach disinfects the plumbing behind a unit",
}
