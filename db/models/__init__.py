"""The tables, as typed models. Keys are there as soon as the object is; nothing is loaded behind the back.

A model is made when it is first asked for: making all of them takes a quarter of the time that a command takes to
begin, and one that only asks the record needs but some. Whoever asks for ``Base`` has them all, and its metadata whole.
"""

from importlib import import_module
from typing import TYPE_CHECKING

from db.models.base import new_key

if TYPE_CHECKING:
    from db.models.base import Base
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
else:
    _HOMES = {
        "bench_history": ("BenchCheck", "BenchCheckValue", "BenchStudy", "BenchStudyReading", "SourceCurve"),
        "budgets": ("FindingBudgets",),
        "catalogue": ("Bench", "BenchRevision", "Instrument", "Product", "ProductRevision", "Unit"),
        "conditions": ("InstrumentProfile", "VisitCondition", "VisitInstrumentProfile"),
        "judgement": ("Finding", "Verdict"),
        "learning": ("TrimObservation",),
        "measurements": ("Move", "Point", "Reading", "Recommendation", "Sweep", "TrackingFit"),
        "returns": ("Repair", "Suspicion", "UnitReturn"),
        "trust": (
            "Person",
            "ProductSignature",
            "RecordChain",
            "RecordChange",
            "RecordLink",
            "UnitClaim",
            "VisitAuthority",
        ),
        "visits": ("Characterisation", "Visit", "VisitClosing", "VisitInstrument"),
    }
    _HOME_OF = {name: home for home, names in _HOMES.items() for name in names}

    def __getattr__(name: str) -> object:
        """A model, made when it is first asked for; all of them for ``Base``."""
        if name == "Base":
            for home in _HOMES:
                import_module(f"{__name__}.{home}")
        elif name not in _HOME_OF:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        found = getattr(import_module(f"{__name__}.{_HOME_OF.get(name, 'base')}"), name)
        globals()[name] = found
        return found


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
