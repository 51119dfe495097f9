"""All connections together: who is let in, where packs, acknowledgements, down-links and wills go."""

import asyncio
import logging
import secrets
from collections.abc import Callable, Collection, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from itertools import repeat

from server.intake import admission
from server.intake.admission import RefusedConnectError, Terms
from server.intake.audience import Audience, Witness
from server.intake.connection import Connection
from server.intake.conversation import Conversation, Seat, Token
from server.intake.errands import Errands
from server.intake.excess import Excess
from server.intake.limits import COUNTERS, Bucket, Failures, Limits
from server.intake.packets import Connect, Publish, Will
from server.intake.properties import NONE
from server.intake.reasons import Reason
from server.intake.sessions import Session
from server.intake.topics import leaf_of, read_by, written_by
from server.intake.values import Directory, DownlinkValue, Identity, Offer, Queue, SessionState, Taken
from server.intake.wills import Wills

_LOG = logging.getLogger("hangtrue.intake")
_TICK_S = 0.25
_DAY_MS = 86_400_000


class Hub:
    """Lives on the loop of the listener; nothing here is called from another thread."""

    def __init__(
        self, *, queue: Queue, directory: Directory, clock_ms: Callable[[], int], limits: Limits
    ) -> None:
        self.limits = limits
        self.counters = dict.fromkeys(COUNTERS, 0)
        self._queue, self._directory, self._clock_ms = queue, directory, clock_ms
        self._loop = asyncio.get_running_loop()
        self._checks = ThreadPoolExecutor(limits.checks_at_once, "intake-check")
        self._errands = Errands()
        self._keep, self._in_store, self._run = self._errands.keep, self._errands.ask, self._errands.run
        self._checks_open = 0
        self._failures = Failures(limits)
        self._buckets: dict[str, Bucket] = {}
        self._sockets: dict[int, Connection] = {}
        self._addresses: dict[str, int] = {}
        self._talks: dict[int, Conversation] = {}
        self._clients: dict[str, Connection] = {}
        self._audience = Audience()
        self._excess = Excess(queue, note=self._note_flooding)
        self._wills = Wills(self._offer_will)
        self._warned_day: dict[str, int] = {}
        self._numbers = 0
        self._held_why: str | None = None
        self._is_stopping = False
        self._stalled_until_s, self._renewed_s = 0.0, self._loop.time()
        self._timer = self._loop.call_later(_TICK_S, self._tick)

    # what a connection calls

    def opened(self, connection: Connection) -> None:
        """Number a socket; one far beyond the bounds is cut off unheard."""
        self._numbers += 1
        connection.number, limits = self._numbers, self.limits
        self._sockets[connection.number] = connection
        here = self._addresses[connection.address] = self._addresses.get(connection.address, 0) + 1
        self.counters["connections"] = len(self._sockets)
        connection.is_crowding = (
            len(self._sockets) > limits.connections or here > limits.connections_an_address
        )
        if len(self._sockets) > 2 * limits.connections or here > 2 * limits.connections_an_address:
            self.count("refused_connects")
            connection.abort()

    def lost(self, connection: Connection) -> None:
        """Forget a socket."""
        del self._sockets[connection.number]
        self.counters["connections"] = len(self._sockets)
        left = self._addresses.pop(connection.address) - 1
        if left:
            self._addresses[connection.address] = left

    def connect(self, connection: Connection, packet: Connect) -> None:
        """Let a client in, or refuse it, as soon as the database has answered."""
        task = self._run(self._admit(connection, packet))
        task.add_done_callback(partial(self._admitted, connection, packet))

    def offer(self, connection: Connection, packet: Publish, token: Token | None) -> None:
        """Put a pack in the collector's line; when that is full, read from nobody."""
        self.counters["packs"] += 1
        if token:
            self.counters["packs_unacknowledged"] += 1
        if packet.retain and leaf_of(packet.topic) == "readings":
            self._warn_of_retained(connection.name)
        self._queue.offer(self._offer_of(packet, token or self._audience.witness(packet)))
        self._look_whether_full()

    def offer_run(self, topic: str, payloads: Sequence[bytes], tokens: Sequence[Token]) -> None:
        """Put packs of one topic in the collector's line, all together."""
        self.counters["packs"] += len(tokens)
        self.counters["packs_unacknowledged"] += len(tokens)
        self._queue.offer_all([*map(Offer, repeat(topic), payloads, repeat(self._clock_ms()), tokens)])
        self._look_whether_full()

    def subscribed(self, connection: Connection, topics: Sequence[str]) -> None:
        """Note what a client reads now, keep its session, and send what is retained."""
        talk = connection.talk
        if not talk:
            return
        self._audience.join(talk)
        self._save(talk)
        wanted = [topic for topic in topics if topic in talk.seat.reads]
        if wanted:
            self._run(self._post(connection, wanted, is_retained=True))
        if topics and talk.seat.identity.role == "watch":
            self._run(self._show_states(connection, topics))

    def gone(self, connection: Connection, *, is_farewell: bool) -> None:
        """Take a connection out; keep its session, and see to its will."""
        talk = connection.talk
        if not talk:
            return
        self._talks.pop(connection.number, None)
        self._audience.leave(talk)
        if self._clients.get(talk.seat.terms.client_id) is connection:
            del self._clients[talk.seat.terms.client_id]
        self.counters["packs_unacknowledged"] -= talk.open_packs
        self._save(talk)
        if talk.seat.will and not is_farewell and not self._is_stopping:
            delay_s = min(talk.seat.terms.will_delay_s, talk.seat.session.keep_s)
            self._wills.leave(talk.seat.terms.client_id, talk.seat.will, delay_s)

    def count(self, name: str) -> None:
        """One more of that."""
        self.counters[name] += 1

    # what the listener calls

    def taken(self, answers: Sequence[Taken]) -> None:
        """Acknowledge what is committed: all PUBACKs of a connection in one write."""
        mine: dict[int, list[Taken]] = {}
        for answer in answers:
            token = answer.token
            if isinstance(token, Token):
                mine.setdefault(token.connection, []).append(answer)
            elif isinstance(token, Witness) and answer.code is None:
                self._audience.show(token.packet)
        for number, some in mine.items():
            if talk := self._talks.get(number):
                settled, stored = talk.settle(some, is_watched=self._audience.is_there)
                self.counters["packs_unacknowledged"] -= settled
                for packet in stored:
                    self._audience.show(packet)
        self._stalled_until_s = 0.0
        self._look_at_queue()

    def send(self, values: Sequence[DownlinkValue]) -> None:
        """Send down-links to those who subscribed to them."""
        for value in values:
            for talk in self._audience.readers(value.topic):
                talk.post([value])

    def drop(self, credential_ids: Collection[int]) -> None:
        """Close the connections of credentials that were revoked."""
        for number, talk in tuple(self._talks.items()):
            if talk.seat.identity.credential_id in credential_ids:
                _LOG.warning("%s: closed, its credential was revoked", talk.seat.owner)
                self._sockets[number].close(Reason.NOT_AUTHORIZED, "the credential was revoked")

    def hold(self) -> None:
        """Read no more; wills that wait are published while the collector still takes them."""
        self._hold_all("stop")
        for client_id in self._wills.clients():
            self._wills.publish(client_id)

    async def stop(self) -> None:
        """Say farewell to all, without their wills, and wait until they have heard it."""
        self._is_stopping = True
        self._timer.cancel()
        for client_id in self._wills.clients():
            self._wills.drop(client_id)
        self._errands.cancel()
        for connection in tuple(self._sockets.values()):
            connection.close(Reason.SHUTTING_DOWN, "the service stops")
        deadline_s = self._loop.time() + self.limits.linger_s
        while self._sockets and self._loop.time() < deadline_s:
            await asyncio.sleep(0.005)
        for connection in tuple(self._sockets.values()):
            connection.abort()
        await asyncio.sleep(0)

    def shut(self) -> None:
        """Wait for what is still being saved. Not on the loop: it blocks."""
        self._checks.shutdown(cancel_futures=True)
        self._errands.shut()

    # letting in

    async def _admit(self, connection: Connection, connect: Connect) -> None:
        self._check_room(connection)
        admission.check_connect(connect, self.limits)
        if self._failures.is_slowed(connection.address, self._loop.time()):
            await asyncio.sleep(self.limits.failure_wait_s)
        identity = admission.check_identity(await self._identified(connect), connect)
        terms = admission.terms_of(connect, self.limits, new_id=f"ht-{secrets.token_hex(10)}")
        stored = await self._in_store(self._directory.load_session, terms.client_id)
        if connection.is_open and not self._is_stopping:
            state = self._inherited(terms, identity, stored)
            self._seat(connection, connect, terms, identity, state)

    def _check_room(self, connection: Connection) -> None:
        if connection.is_crowding:
            raise RefusedConnectError(Reason.QUOTA, "fewer connections", "one too many")
        if self._held_why or self._loop.time() < self._stalled_until_s:
            raise RefusedConnectError(Reason.UNAVAILABLE, "the store to take packs", "none at present")

    async def _identified(self, connect: Connect) -> Identity | None:
        if self._checks_open >= self.limits.checks_at_once + self.limits.checks_waiting:
            raise RefusedConnectError(Reason.UNAVAILABLE, "time to check a password", "too many at once")
        self._checks_open += 1
        try:
            return await self._loop.run_in_executor(
                self._checks, self._directory.identify, connect.user or "", connect.password or b""
            )
        finally:
            self._checks_open -= 1

    def _inherited(
        self, terms: Terms, identity: Identity, stored: SessionState | None
    ) -> SessionState | None:
        old = self._clients.get(terms.client_id)
        session = old.talk.seat.session if old and old.talk else None
        admission.check_owner(session.state if session else stored, identity)
        if old and session:
            self.count("take_overs")
            stored = session.state if session.keep_s else None
            old.close(Reason.TAKEN_OVER, "the same client id connected again")
        if terms.clean and stored:
            self._keep(self._directory.end_session, terms.client_id)
        return None if terms.clean else stored

    def _seat(
        self,
        connection: Connection,
        connect: Connect,
        terms: Terms,
        identity: Identity,
        state: SessionState | None,
    ) -> None:
        is_resumed, owner = state is not None, admission.owner_of(identity)
        self._wills.come_back(terms.client_id, is_resumed=is_resumed)
        if state is None:
            state = SessionState(client_id=terms.client_id, credential_id=identity.credential_id)
        state.credential_id, state.owner = identity.credential_id, owner
        seat = Seat(
            identity=identity,
            owner=owner,
            terms=terms,
            session=Session(state, keep_s=terms.session_s),
            will=connect.will,
            writes=written_by(identity),
            reads=read_by(identity),
            bucket=self._buckets.setdefault(owner, Bucket(self.limits, self._loop.time())),
        )
        seat.session.is_saved = is_resumed
        talk = connection.sit(seat, admission.connack_of(terms, self.limits, session_present=is_resumed))
        self._talks[connection.number], self._clients[terms.client_id] = talk, connection
        self._audience.join(talk)
        self._save(talk)
        if self._held_why:
            connection.hold(self._held_why)
        if wanted := [topic for topic in state.filters if topic in seat.reads]:
            self._run(self._post(connection, wanted, is_retained=False))
        _LOG.info("%s: connected from %s", owner, connection.address)

    def _admitted(self, connection: Connection, connect: Connect, task: "asyncio.Task[None]") -> None:
        error = None if task.cancelled() else task.exception()
        if isinstance(error, RefusedConnectError):
            self.count("refused_connects")
            if error.reason == Reason.BAD_USER_OR_PASSWORD:
                self.count("auth_failures")
                self._failures.record(connection.address, self._loop.time())
            _LOG.warning(
                "user %.40r from %s refused, 0x%02X: %s",
                connect.user,
                connection.address,
                error.reason,
                error,
            )
            connection.refuse(error.reason, f"needs {error.needed}", connect.version)
        elif error:
            self.count("refused_connects")
            connection.refuse(Reason.UNAVAILABLE, "the database cannot be asked now", connect.version)
        else:
            connection.release("check")

    # sessions and down-links

    async def _post(self, connection: Connection, topics: Sequence[str], *, is_retained: bool) -> None:
        values = await self._in_store(self._directory.downlinks, topics)
        if connection.is_open and connection.talk:
            connection.talk.post(values, is_retained=is_retained)

    async def _show_states(self, connection: Connection, filters: Sequence[str]) -> None:
        for state in await self._in_store(self._directory.states):
            if connection.talk:
                connection.talk.show(state, found_by=filters)

    def _save(self, talk: Conversation) -> None:
        session, client_id = talk.seat.session, talk.seat.terms.client_id
        if session.keep_s:
            session.state.until_ms = self._clock_ms() + session.keep_s * 1000
            session.is_saved = True
            self._keep(self._directory.save_session, session.copy_of_state())
        elif session.is_saved:
            session.is_saved = False
            self._keep(self._directory.end_session, client_id)

    # the rest

    def _note_flooding(self, who: Identity) -> None:
        self._keep(self._directory.note_flooding, who.site or "", who.node or "")

    def _offer_will(self, will: Will) -> None:
        self.count("wills")
        self._queue.offer(self._offer_of(will, self._audience.witness(will)))

    def _offer_of(self, packet: Publish | Will, token: Token | Witness | None) -> Offer:
        return Offer(
            topic=packet.topic,
            payload=packet.payload,
            arrival_ms=self._clock_ms(),
            token=token,
            retain=packet.retain,
            properties=packet.properties if packet.properties is not NONE else None,
        )

    def _warn_of_retained(self, name: str) -> None:
        self.count("retained_readings")
        day = self._clock_ms() // _DAY_MS
        if self._warned_day.get(name) != day:
            self._warned_day[name] = day
            _LOG.warning("%s: readings with RETAIN; they are stored, the flag is not kept", name)

    def _hold_all(self, why: str) -> None:
        self._held_why = why
        for number in tuple(self._talks):  # who is not in yet is read, to hear that there is no room
            self._sockets[number].hold(why)

    def _look_whether_full(self) -> None:
        if not self._held_why and self._queue.is_full():
            self.count("queue_pauses")
            _LOG.warning("the collector's line is full: reading pauses on all connections")
            self._hold_all("queue")

    def _look_at_queue(self) -> None:
        if self._held_why == "queue" and not self._queue.is_full():
            self._held_why = None
            for connection in tuple(self._sockets.values()):
                connection.release("queue")

    def _tick(self) -> None:
        self._timer = self._loop.call_later(_TICK_S, self._tick)
        self._look_at_queue()
        now_s = self._loop.time()
        too_old_s = now_s - self.limits.stall_s
        for number, talk in tuple(self._talks.items()):
            if self.limits.rate_per_minute:
                self._excess.look(self._sockets[number], talk)
            if talk.oldest_s is not None and talk.oldest_s < too_old_s:
                self._stalled_until_s = now_s + self.limits.stall_s
                self.count("stalled_closes")
                stall_s = self.limits.stall_s
                _LOG.error("%s: closed, its packs could not be stored for %g s", talk.seat.owner, stall_s)
                self._sockets[number].close(Reason.NOT_TAKEN, "the store does not take packs")
        # or a session would run out under a client that stays
        if now_s - self._renewed_s > self.limits.renew_s:
            self._renewed_s = now_s
            for talk in self._talks.values():
                self._save(talk)
