"""What is to be done until the tap may be drunk from again?

An advisory is raised, cleared step by step with evidence, and lifted by a named person: `state_machine` says what
each event (`events`) makes of it, `record` writes events as JSON, `pieces` which under-dosed water an advisory is
about and a lift has answered, `exposures` and `samples` what the store's intervals and the laboratory's results
add, `proofs` what the sensors say of a step, `shared_event` which cabins' trouble has one cause. What the steps
rest on: `cleaning` (what the water asks for, and by which ways), `plumbing` (what still stands at the tap), `boil`,
`chlorination`, `laboratory`, and `work_cautions` for whoever does the work. What people are told: `notice` (at the
tap), `guests` (who drank before anybody knew), `when_over` (an estimate of the end), `notices_due` and `call_order`
(whom to tell of what, and when), `next_stay` (whether a lamp lasts until the next guests have left).

The names below are those of the advisory itself. The fleet's settings (`models.fleet`) hold the policy of its
steps, and the modules that speak to people need the fleet: import these by their own names.
"""

from models.advisory.events import (
    CLEANING_STEPS,
    FLUSH_STEPS,
    PERSON_STEPS,
    SENSOR_STEPS,
    STEP_WORDS,
    Cause,
    Event,
    Exposed,
    Exposure,
    How,
    Lifted,
    NotAllowed,
    PlayedAnew,
    Proof,
    Raised,
    RecordWithdrawn,
    Remeasured,
    SampleFailed,
    State,
    Step,
    StepPolicy,
    StepRecorded,
)
from models.advisory.pieces import AGAIN_L, MORE_L, MORE_SHARE, Intervals, Piece, pieces_of
from models.advisory.proofs import Flush, proofs
from models.advisory.record import from_json, to_json
from models.advisory.state_machine import (
    Advisory,
    StepStatus,
    advance,
    advanced,
    exposure_event,
    in_utc,
    new_proofs,
    replay,
    unknown_proofs,
)
from models.shortfall import Severity

__all__ = [
    "AGAIN_L", "CLEANING_STEPS", "FLUSH_STEPS", "MORE_L", "MORE_SHARE", "PERSON_STEPS", "SENSOR_STEPS",
    "STEP_WORDS", "Advisory", "Cause", "Event", "Exposed", "Exposure", "Flush", "How", "Intervals", "Lifted",
    "NotAllowed", "Piece", "PlayedAnew", "Proof", "Raised", "RecordWithdrawn", "Remeasured", "SampleFailed",
    "Severity", "State", "Step", "StepPolicy", "StepRecorded", "StepStatus", "advance", "advanced",
    "exposure_event", "from_json", "in_utc", "new_proofs", "pieces_of", "proofs", "replay", "to_json",
    "unknown_proofs",
]
