"""What each limit of the rules is, in words, and why its default is what it is. Data alone.

A reason that begins with `ours` names a convention of this project: it has no source outside it.
"""

from collections.abc import Mapping

_DEAD_BAND = "ours: a dead band under the limit, so that a step does not come and go with each reading"
_EASED = "ours: more than the limit asks, so that a step is over only once it is well over"

REASONS: Mapping[str, tuple[str, str, str]] = {
    # name: unit, what it is, why
    "watch_stays_mrad": (
        "mrad",
        "turn that stays: a joint to watch",
        "by reckoning 37 % of the lock rail's stiffness is left on one invented door, 50 % on the other",
    ),
    "watch_stays_gone_mrad": ("mrad", "no longer to watch under", _DEAD_BAND),
    "watch_rise_mrad": (
        "mrad",
        "turn in 14 days of steady air: to watch",
        "ours: a fast rise while the wood keeps its moisture is no season",
    ),
    "watch_rise_gone_mrad": ("mrad", "no fast rise any more under", _DEAD_BAND),
    "watch_moisture_pct": (
        "% moisture",
        "air is steady up to",
        "ours: more than that and the season may have turned the joint",
    ),
    "watch_seen_mrad": (
        "mrad",
        "turn as measured in the first year: to watch",
        "past what gauges and feet can make of a season, 0.044 and 0.049 mrad by reckoning",
    ),
    "watch_seen_gone_mrad": ("mrad", "no longer so under", _DEAD_BAND),
    "turn_alert_mrad": (
        "mrad",
        "turn that stays: joint opening",
        "by reckoning 23 % and 35 % of its stiffness are left; a pair of 170 mm calls it open at 0.166",
    ),
    "turn_alert_low_mrad": (
        "mrad",
        "and its low bound at least",
        "two thirds: with it 0.04 false alarms a joint in 10 years where 0.5 to 0.9 came, by simulation",
    ),
    "turn_alert_gone_mrad": ("mrad", "no longer opening under", _DEAD_BAND),
    "low_share": (
        "of the limit",
        "low bound that a limit asks",
        "two thirds: false alarms fall tenfold for 0.009 mrad of delay, by simulation",
    ),
    "gone_share": ("of the limit", "over again under this share of a limit", _DEAD_BAND),
    "rate_mm_per_year": (
        "mm a year",
        "growth of droop or rack: taking a set",
        "ours: half a millimetre in ten years",
    ),
    "rate_gone_mm_per_year": ("mm a year", "no longer taking a set under", _DEAD_BAND),
    "rack_mm": (
        "mm",
        "rack that stays: out of square",
        "ours: chosen on models of doors, not on failed ones; a door's file may set another",
    ),
    "rack_sd_mm": (
        "mm",
        "rack is not judged with a doubt over",
        "half of its limit: a figure less sure than that decides nothing",
    ),
    "forecast_mm": (
        "mm",
        "least gap to expect in a damp season",
        "ours: the margin under which a door is called close to its frame",
    ),
    "forecast_gone_mm": ("mm", "enough again from", _EASED),
    "near_mm": ("mm", "least gap: near the frame", "ours: time to ease it while it is dry"),
    "near_gone_mm": ("mm", "clear again from", _EASED),
    "close_mm": (
        "mm",
        "least gap: close to the frame",
        "ours: a leaf that binds loads its joints; under it no load test is made",
    ),
    "close_gone_mm": ("mm", "clear again from", _EASED),
    "rubs_mm": ("mm", "it rubs at", "no gap left"),
    "rubs_gone_mm": ("mm", "clear again from", _EASED),
    "slam_channels": (
        "gauges",
        "gauges that jump together",
        "one alone may have been knocked; two on different feet were not",
    ),
    "slam_lasts_h": ("h", "and stay for", "ours: what springs back within a day is no slam's mark"),
    "still_share": (
        "of last year",
        "swing that says a gauge is stuck",
        "ours: a fifth of what the same days moved it a year before",
    ),
    "still_gone_share": ("of last year", "it moves again from", _EASED),
    "still_swing_mm": (
        "mm",
        "not judged under a swing last year of",
        "ours: less may be the grain of the gauge alone",
    ),
    "still_moisture_pct": (
        "% moisture",
        "not judged while the wood moved less than",
        "ours: without a season nothing has to move",
    ),
    "wet_rh_pct": (
        "% humidity",
        "a day's lowest humidity that says wet",
        "ours: as good as full, and all day long",
    ),
    "wet_gone_rh_pct": ("% humidity", "dry again under", _DEAD_BAND),
    "ref_shift": (
        "ratio",
        "shift of the box's own reference",
        "beyond it no correction is made for the converter's drift",
    ),
    "ref_gone_shift": ("ratio", "true again under", _DEAD_BAND),
    "doubt_gone_w": (
        "times its sd",
        "a gauge fits the others again under",
        "the bound with which a gauge is named as the one that is off",
    ),
    "out_readings": (
        "readings",
        "good readings a day: none at",
        "a day without one says nothing of the door",
    ),
    "out_gone_readings": ("readings", "good again from", "as many as a good day of the hung line needs"),
    "check_days": ("days", "a check is due after", "the gauges are checked once a year"),
    "silent_h": ("h", "a box is not heard after", "ours: a day; a box keeps its readings meanwhile"),
    "site_boxes": (
        "boxes",
        "nothing is heard from so many boxes silent",
        "ours: one or two are boxes, three are the yard",
    ),
    "site_share": ("of all", "and at least this share of all", "ours: half"),
    "battery_gone_v": (
        "V",
        "a battery is good again so far over its mark",
        "ours: a dead band, so that a warm day does not end it",
    ),
    "held_days": ("days", "packs held back for", "ours: time to cure it before it is said"),
    "expiring_days": ("days", "packs held back run out at 90; said from", "ours: a month is left to cure it"),
    "certificate_days": ("days", "a certificate that ends within", "ours: a year, to plan a visit"),
    "certificate_short_days": ("days", "and soon, within", "ours: two months"),
    "disk_low_mib": ("MiB", "free disk: low under", "ours: time to make room before anything is refused"),
    "disk_low_gone_mib": ("MiB", "enough again from", _EASED),
    "disk_full_mib": ("MiB", "free disk: full under", "ours: under it the next write may be refused"),
    "disk_full_gone_mib": ("MiB", "no longer full from", _EASED),
    "backup_days": ("days", "the newest good copy is late from", "ours: one a night, and two may fail"),
    "intake_min": ("minutes", "readings are not stored for", "ours: longer than a restart takes"),
    "channel_h": ("h", "messages do not pass for", "ours: a mail server may be away for a day"),
    "test_watch_sd": (
        "times its doubt",
        "fall of stiffness: a little softer",
        "one test in six falls so far by chance alone, if its doubt is right",
    ),
    "test_softer_sd": (
        "times its doubt",
        "fall of stiffness: softer",
        "one in forty falls so far by chance alone, if its doubt is right",
    ),
}
# Of the yard, not of a door.
HOUSE = frozenset(
    {
        "silent_h",
        "site_boxes",
        "site_share",
        "battery_gone_v",
        "held_days",
        "expiring_days",
        "certificate_days",
        "certificate_short_days",
        "disk_low_mib",
        "disk_low_gone_mib",
        "disk_full_mib",
        "disk_full_gone_mib",
        "backup_days",
        "intake_min",
        "channel_h",
    }
)
# A limit, where it is over again, and whether the step holds above its limit.
ORDER = (
    ("watch_stays_mrad", "watch_stays_gone_mrad", True),
    ("watch_rise_mrad", "watch_rise_gone_mrad", True),
    ("watch_seen_mrad", "watch_seen_gone_mrad", True),
    ("turn_alert_mrad", "turn_alert_low_mrad", True),
    ("turn_alert_mrad", "turn_alert_gone_mrad", True),
    ("rate_mm_per_year", "rate_gone_mm_per_year", True),
    ("wet_rh_pct", "wet_gone_rh_pct", True),
    ("ref_shift", "ref_gone_shift", True),
    ("still_share", "still_gone_share", False),
    ("forecast_mm", "forecast_gone_mm", False),
    ("near_mm", "near_gone_mm", False),
    ("close_mm", "close_gone_mm", False),
    ("rubs_mm", "rubs_gone_mm", False),
    ("out_readings", "out_gone_readings", False),
    ("disk_low_mib", "disk_low_gone_mib", False),
    ("disk_full_mib", "disk_full_gone_mib", False),
)
# Limits of one thing from the mild to the grave: each is met before the next.
LADDERS = (
    ("near_mm", "close_mm", "rubs_mm"),
    ("disk_low_mib", "disk_full_mib"),
    ("certificate_days", "certificate_short_days"),
)
