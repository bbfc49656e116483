"""Who teaches what, bench lists, orders, the batches they become, and what was read at the bench."""

from requests_app.models.batches import Batch, BatchBooking, BatchEvent, BatchHold, Sheet, StepRecord
from requests_app.models.bench import BottleScan, Mishap, SecondCheck
from requests_app.models.bench_lists import (
    BenchList,
    BenchListVersion,
    ListApparatus,
    ListComponent,
    ListConsumable,
    ListSolution,
    PlannedExperiment,
)
from requests_app.models.department import DepartmentRules, RuleEvent
from requests_app.models.orders import (
    Order,
    OrderComment,
    OrderComponent,
    OrderEvent,
    OrderHold,
    OrderRevision,
)
from requests_app.models.planning import TermRun
from requests_app.models.portions import Portion, PortionEvent
from requests_app.models.recalls import Recall
from requests_app.models.teaching import (
    Course,
    Meeting,
    MeetingEvent,
    Room,
    Section,
    TeachingChange,
    Term,
    TermBreak,
)
from requests_app.models.unknowns import KeyReading, UnknownSample, UnknownSet

__all__ = [
    "Batch",
    "BatchBooking",
    "BatchEvent",
    "BatchHold",
    "BenchList",
    "BenchListVersion",
    "BottleScan",
    "Course",
    "DepartmentRules",
    "KeyReading",
    "ListApparatus",
    "ListComponent",
    "ListConsumable",
    "ListSolution",
    "Meeting",
    "MeetingEvent",
    "Mishap",
    "Order",
    "OrderComment",
    "OrderComponent",
    "OrderEvent",
    "OrderHold",
    "OrderRevision",
    "PlannedExperiment",
    "Portion",
    "PortionEvent",
    "Recall",
    "Room",
    "RuleEvent",
    "SecondCheck",
    "Section",
    "Sheet",
    "StepRecord",
    "TeachingChange",
    "Term",
    "TermBreak",
    "TermRun",
    "UnknownSample",
    "UnknownSet",
]
