"""The tables, as typed models. Keys are there as soon as the object is; nothing is loaded behind the back."""

from db.models.base import Base, new_key
from db.models.bench_history import BenchCheck, BenchCheckValue, BenchStudy, BenchStudyReading, SourceCurve
from db.models.catalogue import Bench, BenchRevision, Instrument, Product, ProductRevision, Unit
from db.models.conditions import InstrumentProfile, VisitCondition, VisitInstrumentProfile
from db.models.judgement import Finding, Verdict
from db.models.learning import TrimObservation
from db.models.measurements import Move, Point, Reading, Recommendation, Sweep, TrackingFit
from db.models.visits import Characterisation, Visit, VisitInstrument

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
    "Instrument",
    "InstrumentProfile",
    "Move",
    "Point",
    "Product",
    "ProductRevision",
    "Reading",
    "Recommendation",
    "SourceCurve",
    "Sweep",
    "TrackingFit",
    "TrimObservation",
    "Unit",
    "Verdict",
    "Visit",
    "VisitCondition",
    "VisitInstrument",
    "VisitInstrumentProfile",
    "new_key",
]
