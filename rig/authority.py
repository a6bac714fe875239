"""On whose authority a visit judges: an engineer's signature under the product file, where roles are in use.

On a computer that everybody uses the program cannot know who sits before it: a name is typed, not proven. What it can
prove is that an engineer's private key has signed a product file: nobody without that key changes a limit unseen.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from db import people, queries
from rig.errors import WrongInput

if TYPE_CHECKING:
    from datetime import datetime

    from db.engine import Database
    from db.people import Standing
    from rig.product import Product
    from rig.tomlfile import Loaded


def authority_of(
    database: Database, product: Loaded[Product], operator: str, at: datetime, *, demonstration: bool, adjusts: bool
) -> Standing:
    """What stands behind a product file.

    :param adjusts: whether trims are to be turned and the unit judged: then an unsigned file is refused.
    :raises NotAuthorised: roles are in use, and nobody knows this operator.
    :raises WrongInput: roles are in use, and no engineer has signed this product file.
    """
    with database.session() as session:
        revision = queries.get_or_add_product_revision(
            session, product_name=product.contents.product.name, toml_text=product.text, at_utc=at
        )
        if not demonstration:
            people.require_operator(session, operator)
        standing = people.standing_of(session, revision, demonstration=demonstration)
    if adjusts and standing.authority == "unsigned":
        raise WrongInput(
            f"The product file {product.path} was signed by no engineer in this text: have it signed with rig product "
            "sign, or use the file that was signed."
        )
    return standing


def doubt_of(standing: Standing) -> tuple[str, ...]:
    """Why nothing may be decided, in a sentence; nothing where something may."""
    if standing.authority != "unsigned":
        return ()
    return ("No engineer has signed this product file, so that its limits decide nothing: have it signed.",)
