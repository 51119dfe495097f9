"""Who listens: which clients read which down-link, and who watches."""

from typing import NamedTuple

from server.intake.conversation import Conversation
from server.intake.packets import Publish, Will


class Witness(NamedTuple):
    """Stands for a publication that asks for no answer, so that watchers see it once it is committed."""

    packet: Publish | Will


class Audience:
    """Conversations by the topics that they may read and have subscribed to."""

    def __init__(self) -> None:
        self._readers: dict[str, set[Conversation]] = {}
        self._watchers: set[Conversation] = set()

    @property
    def is_there(self) -> bool:
        """Whether anybody watches."""
        return bool(self._watchers)

    def witness(self, packet: Publish | Will) -> Witness | None:
        """What to hand in with a publication that asks for no answer; None while nobody watches."""
        return Witness(packet) if self._watchers else None

    def show(self, packet: Publish | Will) -> None:
        """Send what is committed to those who watch what others publish."""
        for watcher in tuple(self._watchers):
            watcher.show(packet)

    def readers(self, topic: str) -> tuple[Conversation, ...]:
        """Those who read the down-link of that topic."""
        return tuple(self._readers.get(topic, ()))

    def join(self, talk: Conversation) -> None:
        """Take a client in under what its filters are now, and under nothing else."""
        self.leave(talk)
        for topic in talk.seat.reads & talk.seat.session.state.filters.keys():
            self._readers.setdefault(topic, set()).add(talk)
        if talk.seat.identity.role == "watch":
            self._watchers.add(talk)

    def leave(self, talk: Conversation) -> None:
        """Take a client out."""
        self._watchers.discard(talk)
        for topic in talk.seat.reads & self._readers.keys():
            self._readers[topic].discard(talk)
            if not self._readers[topic]:
                del self._readers[topic]
