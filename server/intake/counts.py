"""What the collector has counted since it started."""

from dataclasses import dataclass, field

from server.intake.commit import Outcome

BOUNDS_S = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0)


@dataclass(slots=True, kw_only=True)
class Counts:
    """Counted by the writer's thread, read by any."""

    last_commit_ms: int | None = None
    store_failing: bool = False
    packs_stored: int = 0
    readings_stored: int = 0
    redelivered: int = 0
    states_ignored: int = 0
    dirty_days: int = 0
    commits: int = 0
    commit_seconds_sum: float = 0.0
    group_packs_sum: int = 0
    packs_refused: dict[str, int] = field(default_factory=dict)
    within: list[int] = field(default_factory=lambda: [0] * len(BOUNDS_S))

    def add(self, outcome: Outcome, *, packs: int, took_s: float, at_ms: int) -> None:
        """Count one commit."""
        self.last_commit_ms, self.store_failing = at_ms, False
        self.packs_stored += outcome.packs_stored
        self.readings_stored += outcome.readings_stored
        self.redelivered += outcome.redelivered
        self.states_ignored += outcome.states_ignored
        for code in outcome.refused:
            self.packs_refused[code] = self.packs_refused.get(code, 0) + 1
        self.commits += 1
        self.commit_seconds_sum += took_s
        self.group_packs_sum += packs
        for place, bound in enumerate(BOUNDS_S):
            self.within[place] += took_s <= bound

    def as_facts(self) -> dict[str, object]:
        """By the names of the service's line; each bucket holds all commits that took no longer."""
        names = [name for name in self.__slots__ if name not in ("within", "packs_refused")]
        return {
            **{name: getattr(self, name) for name in names},
            "packs_refused": dict(self.packs_refused),
            "commit_seconds_buckets": {
                f"{bound:g}": n for bound, n in zip(BOUNDS_S, self.within, strict=True)
            },
        }
