"""What to do on each step. Common practice, no source. Pure."""

from collections.abc import Mapping

HINGES = (
    "See that every hinge screw is tight, then try the shoulders that carry no gauge. "
    "Pack a hinge only when you know which it is: packing hides it."
)
NETWORK_TIME = "See that the box gets network time, or give it a new clock cell."
MAKE_ROOM = "Move what is not needed off this disk, or move the database to a larger one."
CERTIFICATE_COMMAND = "Make a new one with `hangtrue broker ca` while the old one still works."
REPLAY = "`hangtrue held list` says what each was refused for. Cure that, then `hangtrue held replay`."
TRY_SHOULDERS = (
    "Do not test again to be sure: a test is a load. Try the shoulders with a feeler; "
    "ask a joiner to look if one takes it."
)
NEWS_READ = "Read it on the door's page."

TO_DO: Mapping[str, str] = {
    "joint_watch": "Nothing now. Hold a feeler to the shoulder when you are by, and keep what it says: "
    "`hangtrue feeler`.",
    "joint_opening": "Nothing this week. Look at it when you are by, and plan a repair{season}.",
    "joint_open": "Try a feeler in the shoulder. If it goes in past 10 mm the glue line is likely parted; "
    "that none goes in clears nothing: a turn is told from less than the thinnest leaf. Keep people clear of "
    "the door and have a competent joiner look before it is used hard again.",
    "leaf_set": HINGES,
    "leaf_over": f"This month: {HINGES[0].lower()}{HINGES[1:]} "
    "Keep people clear if the leaf drags or drops when it is opened.",
    "frame_forecast": "Ease it there while it is dry, before the damp season.",
    "frame_near": "Look for shine on wood or paint there, and plan to ease it while it is dry.",
    "frame_close": "Ease it or re-hang it soon: a leaf that binds loads its joints. No load test until then.",
    "frame_rubs": "Do not force it. Find the place with a strip of paper, ease it there, and mark it: "
    "`hangtrue mark`.",
    "step_unlogged": "Say what was done that day: `hangtrue mark`. If nothing was, look whether a gauge was "
    "knocked.",
    "slam": "Keep people clear until you have looked. Try shoulders and hinge screws, then hold a feeler "
    "beside each of these gauges: `hangtrue feeler`. Prop the leaf before you touch a hinge, and be two.",
    "gauge_off": "Feel again and enter it: `hangtrue feeler`. If they still differ, set the gauge anew and "
    "say so: `hangtrue door change`. If it was the feeler, close this and write that.",
    "gauge_still": "Push the plunger: it must spring back. Clean it, dry PTFE, no oil. Then "
    "hold a feeler beside it: `hangtrue feeler`.",
    "gauge_wet": "Move it out of the wet, or cap it. Until then the wood's moisture is not known.",
    "gauge_converter": "Change the board. Until then nothing is judged by the gauges that it reads.",
    "gauge_doubt": "Look at its foot and plunger. If it hides an open joint, act as for an open joint until "
    "you know.",
    "gauge_out": "Wire, plug, supply, in this order.",
    # over wet table salt 75.3 % at 25 degC. Source: sensors, section 9.6, which has it from memory
    "check_due": "Hold a feeler beside each, three times, and keep what it says: `hangtrue feeler`. What no "
    "feeler reaches goes on the gauge blocks; then `hangtrue mark DOOR calibrated`. The humidity gauge goes "
    "over a salt jar for a day, where it should say about 75 %; then the same mark with its name and the "
    "figure: `hangtrue mark DOOR calibrated 'air-rh: 75 %'`.",
    "node_silent": "Power first, then network.{stands}",
    "site_silent": "Power first, then network, then the machine that listens.",
    "battery_low": "Change the cells; what is stored stays.",
    "clock_undated": NETWORK_TIME,
    "clock_suspect": NETWORK_TIME,
    "node_twin": "Switch one off. If none is yours, change the password now: `hangtrue node rotate`.",
    "packs_held": REPLAY,
    "packs_expiring": f"Today. {REPLAY}",
    "password_old": "Send it another: `hangtrue node rotate` with --anew.",
    "node_flooding": "Look what the box runs. If it is not yours, retire it: `hangtrue node retire`.",
    "certificate_ending": CERTIFICATE_COMMAND,
    "certificate_short": f"This month. {CERTIFICATE_COMMAND}",
    "disk_low": MAKE_ROOM,
    "disk_full": f"Today. {MAKE_ROOM}",
    "backup_late": "`hangtrue db backup` makes one now, or says what hinders it.",
    "backup_bad": "Keep the older copies. Make a new one with `hangtrue db backup` and read it back with "
    "`hangtrue db verify` before you rely on it.",
    "intake_failing": "`hangtrue db check` says what stops it: disk, rights, or no database there.",
    "look_failed": "`hangtrue inspect` at this door says what stops it.",
    "channel_failing": "`hangtrue notice test` tries it once and says the reason.",
    "test_watch": TRY_SHOULDERS,
    "test_softer": TRY_SHOULDERS,
    "line_soon": "Until then hang, ease and pack as you need. After it, write a mark for what you do.",
    "line_fixed": NEWS_READ,
    "line_late": "See that the door is shut at night and that the gauges read.",
    "first_word": NEWS_READ,
}
