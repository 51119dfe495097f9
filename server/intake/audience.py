"""Who listens: which clients read which down-link, and who watches."""

from server.intake.conversation import Conversation


class Audience:
    """Conversations by the topics that they may read and have subscribed to."""

    def __init__(self) -> None:
        self._readers: dict[str, set[Conversation]] = {}
        self._watchers: set[Conversation] = set()

    @property
    def watchers(self) -> tuple[Conversation, ...]:
        """Those who watch what others publish."""
        return tuple(self._watchers)

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
