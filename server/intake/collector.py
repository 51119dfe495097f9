"""The collector: offers in line, one writer thread, and nothing acknowledged before it is committed."""

import logging
import threading
import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from functools import partial

from sqlalchemy import Engine
from sqlalchemy.exc import DBAPIError

from server.database import check_durable, session_of
from server.intake.budgets import Budgets
from server.intake.commit import Committer, Outcome
from server.intake.counts import Counts
from server.intake.enrolled import Enrolment
from server.intake.line import Line
from server.intake.room import Room
from server.intake.statements import Stater
from server.intake.states import doubt_all
from server.intake.values import Answer, Offer, Send
from server.readings import quarantine, rollup

log = logging.getLogger("hangtrue.intake")
GROUP = 2000
FIRST_RETRY_S, LAST_RETRY_S = 0.1, 5.0
STATEMENT_EVERY_S = 1.0
ROLLUP_SLICE_S, ROLLUP_EVERY_S = 0.05, 2.0
# An empty line for so long is a pause in which to roll up, a slice at a time. A sender that waits for its
# acknowledgements leaves the line empty for a moment too, and would wait for a slice of rolling up each time.
LULL_S, BETWEEN_SLICES_S = 0.25, 0.02
WAIT_S = 2.0
EXPIRE_EVERY_S = 3600.0
GIVE_UP_AFTER = 3  # failed commits, once told to stop: what was not acknowledged comes again


class Collector:
    """Takes offers of `readings` and `status`; hands `Taken` to `answer` and statements to `send`.

    `room` and `budgets` bound what is taken; others may be put in their place before `start`.
    `states_first`: a statement that is due goes out before the answer, as an outside broker needs it.
    """

    def __init__(
        self,
        engine: Engine,
        *,
        clock_ms: Callable[[], int],
        answer: Answer,
        send: Send,
        monotonic: Callable[[], float] = time.monotonic,
        states_first: bool = False,
    ) -> None:
        self._engine, self._clock_ms, self._monotonic = engine, clock_ms, monotonic
        self._states_first = states_first
        self.room, self.budgets = Room(engine), Budgets(clock_ms=clock_ms)
        self._answer, self._send = answer, send
        self._enrolment = Enrolment(engine, monotonic=monotonic)
        self._committer = Committer(engine, self._enrolment, clock_ms=clock_ms)
        self._stater = Stater(engine, clock_ms=clock_ms)
        self._line, self._counts = Line(), Counts()
        self._stopping = threading.Event()
        self._stale = threading.Event()
        self._thread = threading.Thread(target=self._run, name="writer")
        # node id -> journal to state, and whether only if it differs from the last word
        self._to_state: dict[int, tuple[str, bool]] = {}
        self._stated_s: dict[int, float] = {}
        self._rolled_s = self._expired_s = float("-inf")
        self._is_dirty = True
        self._is_lull = False

    def offer(self, offer: Offer) -> None:
        """Put one offer in line. Never blocks and never drops: watch `is_full`."""
        self._line.put(offer)

    def offer_all(self, offers: Sequence[Offer]) -> None:
        """Put offers in line, all together."""
        self._line.put_all(offers)

    def is_full(self) -> bool:
        """Whether the line is past its bound, so that reading must pause."""
        return self._line.is_full()

    def is_spent(self, owner: str) -> bool:
        """Whether a node, `site/node`, has had its day's readings, so that it must wait."""
        return self.budgets.is_spent(owner)

    def start(self) -> None:
        """Read who is enrolled and start the writer.

        Raises SettingsError for a database that forgets what it commits: an answer would be a lie.
        """
        check_durable(self._engine)
        self._enrolment.read()
        self._thread.start()

    def stop(self) -> None:
        """Empty the line, commit, answer, and end. What a failing store would not take stays unanswered."""
        self._stopping.set()
        self._line.close()
        self._thread.join()

    def refresh(self) -> None:
        """Read who is enrolled again before the next group."""
        self._stale.set()

    def counters(self) -> dict[str, object]:
        """What was counted since the start, and what waits."""
        packs, size = self._line.size()
        facts = {"queue_packs": packs, "queue_bytes": size, "fast_misses": self._committer.judge.fast_misses}
        return {**self._counts.as_facts(), **facts}

    def _run(self) -> None:
        self._live_through(self._doubt_states)
        self._live_through(self._state_present)
        while True:
            group = self._line.take(GROUP, wait_s=self._wait_s())
            self._is_lull = not group
            if group:
                self._live_through(self._read_enrolment)
                self._commit(group)
            if not group and self._stopping.is_set():
                break
            self._live_through(self._state_due)
            self._live_through(partial(self._keep_house, is_idle=not group))
        self._stated_s.clear()
        self._live_through(self._state_due)
        self._live_through(self._committer.close)

    def _live_through(self, step: Callable[[], None]) -> None:
        """Do what may fail without a loss: it is tried again."""
        try:
            step()
        except Exception:  # the loop that must live on
            log.exception("the writer could not do a part of its work; it tries again")

    def _commit(self, group: Sequence[Offer]) -> None:
        """Commit a group, however long the store fails; then, and only then, answer."""
        wait_s, failures = FIRST_RETRY_S, 0
        while (outcome := self._try_commit(group)) is None:
            failures += 1
            if self._stopping.is_set() and failures >= GIVE_UP_AFTER:
                log.error("%d packs were not stored and not acknowledged; they will come again", len(group))
                return
            self._stopping.wait(wait_s) if not self._stopping.is_set() else time.sleep(FIRST_RETRY_S)
            wait_s = min(2 * wait_s, LAST_RETRY_S)
        self._is_dirty = self._is_dirty or outcome.readings_stored > 0
        self._spend(outcome)
        if outcome.taken and not self._states_first:
            self._live_through(partial(self._answer, outcome.taken))
        for node_id, journal in outcome.told.items():
            self._to_state.setdefault(node_id, (journal, True))
        for node_id, journal in outcome.journals.items():
            self._to_state[node_id] = (journal, False)
        if outcome.taken and self._states_first:
            self._live_through(self._state_due)
            self._live_through(partial(self._answer, outcome.taken))

    def _try_commit(self, group: Sequence[Offer]) -> Outcome | None:
        began_s = time.perf_counter()
        if not self.room.is_there():
            self._counts.store_failing = True
            log.error("the disk has no more than its reserve; %d packs wait until there is room", len(group))
            return None
        try:
            outcome = self._committer.commit(group)
        except DBAPIError as fault:
            self._counts.store_failing = True
            log.warning("the store fails (%s); %d packs wait", str(fault.orig)[:120], len(group))
            return None
        except Exception:  # the loop that must live on
            self._counts.store_failing = True
            log.exception("a group of %d packs could not be stored; it is tried again", len(group))
            return None
        took_s = time.perf_counter() - began_s
        self._counts.add(outcome, packs=len(group), took_s=took_s, at_ms=self._clock_ms())
        return outcome

    def _spend(self, outcome: Outcome) -> None:
        for node_id, readings in outcome.readings_of.items():
            if node := self._enrolment.by_id.get(node_id):
                owner = f"{node.site}/{node.node}"
                self.budgets.spend(owner, readings, channels=len(node.channels))

    def _doubt_states(self) -> None:
        if not self._states_first:  # a broker tells all states anew; here nobody heard who went meanwhile
            with self._engine.execution_options(immediate=True).begin() as connection:
                doubt_all(connection, now_ms=self._clock_ms())

    def _read_enrolment(self) -> None:
        if self._stale.is_set():
            self._stale.clear()
            self._enrolment.read()
        self._enrolment.read_if_old()

    def _state_present(self) -> None:
        self._to_state = {node_id: (code, True) for node_id, code in self._stater.present_journals().items()}
        self._state_due()

    def _state_due(self) -> None:
        """Say what is stored to each node that is owed it, at most once a second each."""
        now_s = self._monotonic()
        for node_id, (journal, if_other) in list(self._to_state.items()):
            if now_s - self._stated_s.get(node_id, float("-inf")) < STATEMENT_EVERY_S:
                continue
            node = self._enrolment.by_id.get(node_id)
            self._stated_s[node_id] = now_s  # before, so that a store that fails is not asked without pause
            word = None if node is None else self._stater.state(node, journal, if_other=if_other)
            del self._to_state[node_id]
            if word is None:
                del self._stated_s[node_id]
            else:
                self._send([word])

    def _keep_house(self, *, is_idle: bool) -> None:
        now_s = self._monotonic()
        if (is_idle and self._is_dirty) or now_s - self._rolled_s >= ROLLUP_EVERY_S:
            self._rolled_s, self._is_dirty = now_s, False
            left = rollup.recompute(self._engine, budget_s=ROLLUP_SLICE_S, now_ms=self._clock_ms())
            self._counts.dirty_days, self._is_dirty = left, left > 0
        if now_s - self._expired_s >= EXPIRE_EVERY_S:
            self._expired_s = now_s
            self._expire()

    def _expire(self) -> None:
        now = datetime.fromtimestamp(self._clock_ms() / 1000, UTC)
        with session_of(self._engine) as session:
            gone = quarantine.expire(session.connection(), now=now)
        if gone:
            log.info("%d refused packs were kept their 90 days and are removed", gone)

    def _wait_s(self) -> float:
        """How long the line may stay empty before something else is due."""
        waits = [WAIT_S]
        if self._is_dirty:
            waits.append(BETWEEN_SLICES_S if self._is_lull else LULL_S)
        if self._to_state:
            now_s = self._monotonic()
            owed = min(self._stated_s.get(node_id, float("-inf")) for node_id in self._to_state)
            waits.append(max(owed + STATEMENT_EVERY_S - now_s, 0.0))
        return min(waits)
