"""The table of credentials."""

from sqlalchemy import ForeignKey
from sqlalchemy.orm import Mapped, mapped_column

from server.database import Base, Big, Key, Utc


class Credential(Base):
    """A user of the listener. `role` is `node`, `collector` or `watch`; of the password a hash is kept."""

    __tablename__ = "credential"

    id: Mapped[Key]
    node_id: Mapped[Big | None] = mapped_column(ForeignKey("node.id"))
    role: Mapped[str]
    user: Mapped[str] = mapped_column(unique=True)
    generation: Mapped[int]
    salt: Mapped[bytes]
    hash: Mapped[bytes]
    made: Mapped[Utc]
    revoked: Mapped[Utc | None]
