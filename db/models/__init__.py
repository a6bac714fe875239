"""The tables, as typed models. Keys are there as soon as the object is; nothing is loaded behind the back."""

from db.models.base import Base, new_key
from db.models.bench_history import BenchCheck, BenchCheckValue, BenchStudy, BenchStudyReading, SourceCurve
from db.models.budgets import FindingBudgets
from db.models.catalogue import Bench, BenchRevision, Instrument, Product, ProductRevision, Unit
from db.models.conditions import InstrumentProfile, VisitCondition, VisitInstrumentProfile
from db.models.judgement import Finding, Verdict
from db.models.learning import TrimObservation
from db.models.measurements import Move, Point, Reading, Recommendation, Sweep, TrackingFit
from db.models.returns import Repair, Suspicion, UnitReturn
from db.models.trust import (
    Person,
    ProductSignature,
    RecordChain,
    RecordChange,
    RecordLink,
    UnitClaim,
    VisitAuthority,
)
from db.models.visits import Characterisation, Visit, VisitClosing, VisitInstrument

__all__ = [
    "Base",
    "Bench",
    "BenchCheck",
    "BenchCheckValue",
    "BenchRevision",
    "BenchStudy",
    "BenchStudyReading",
    "Characterisation",
    "Finding",
    "FindingBudgets",
    "Instrument",
    "InstrumentProfile",
    "Move",
    "Person",
    "Point",
    "Product",
    "ProductRevision",
    "ProductSignature",
    "Reading",
    "Recommendation",
    "RecordChain",
    "RecordChange",
    "RecordLink",
    "Repair",
    "SourceCurve",
    "Suspicion",
    "Sweep",
    "TrackingFit",
    "TrimObservation",
    "Unit",
    "UnitClaim",
    "UnitReturn",
    "Verdict",
    "Visit",
    "VisitAuthority",
    "VisitClosing",
    "VisitCondition",
    "VisitInstrument",
    "VisitInstrumentProfile",
    "new_key",
]
