"""Keys that every bench makes alike for the same thing, so that what they hand in to one server fits together.

UUID version 5 (RFC 9562) of the thing's own name; what happens once (a visit, a sweep) gets a key by its time instead.
"""

from uuid import UUID, uuid5

NAMESPACE = UUID("6f4f1d0c-5c0e-5e0b-9d3a-7a1f0d2b8c61")


def named_key(kind: str, *names: str | UUID) -> UUID:
    """Key of the thing of a kind with these names; a name may hold any sign, so each is told apart by its length."""
    return uuid5(NAMESPACE, "/".join((kind, *(f"{len(text)}:{text}" for text in map(str, names)))))


def product_key(name: str) -> UUID:
    """Key of a product."""
    return named_key("product", name)


def product_revision_key(product_id: UUID, content_sha256: str) -> UUID:
    """Key of a product revision."""
    return named_key("product_revision", product_id, content_sha256)


def bench_key(name: str) -> UUID:
    """Key of a bench."""
    return named_key("bench", name)


def bench_revision_key(bench_id: UUID, content_sha256: str) -> UUID:
    """Key of a bench revision."""
    return named_key("bench_revision", bench_id, content_sha256)


def instrument_key(maker: str, model: str, serial: str, firmware: str) -> UUID:
    """Key of an instrument with this firmware."""
    return named_key("instrument", maker, model, serial, firmware)


def unit_key(serial: str) -> UUID:
    """Key of a unit."""
    return named_key("unit", serial)
