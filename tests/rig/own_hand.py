"""A virtual operator who turns one trim in a way of their own, and all others as asked."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass
class Hand:
    """A virtual operator who turns one trim in a way of their own, and all others as asked."""

    operator: object
    hands: object
    clock: object
    trim: str
    asked: list[float] = field(default_factory=list)
    told: list[str] = field(default_factory=list)

    def __getattr__(self, name):
        return getattr(self.operator, name)

    def tell(self, message):
        self.told.append(message)

    def turn(self, turn, watch):
        if turn.trim != self.trim:
            return self.operator.turn(turn, watch)
        self.asked.append(turn.turns)
        return self.own(turn, watch)

    def own(self, turn, watch):
        raise NotImplementedError
