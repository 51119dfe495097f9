"""A declaration to start from: two doors of Saltmarsh Yard."""

EXAMPLE = """\
# One trial: which of two ways of joining turns more? Numbers with a point stand in quotation marks.
question = "Does the deep tenon hold better than the stub with loose tenons?"
place = "Saltmarsh Yard"
design = "pairs"                    # or "groups": doors that are not matched, three or more a side
scope = "doors"                     # these doors; "kind", this way of joining, needs two pairs or more
quantity = "turn_per_100_n_m"       # mrad a year; or "turn_per_100_n_m_per_10000" (openings), "droop" (mm)
band = "0.05"                       # the least difference that would change what you build
starts_on = 2026-12-23              # the day of sealing or later: readings seen before cannot enter
horizon_days = 2192                 # six years; from 365 to 5479

[side_a]
name = "Deep tenon"
joint = "mortise_tenon"

[side_b]
name = "Stub and loose tenons"
joint = "stub_loose"

[[pairs]]
a = { door = "north", version = 1, joints = ["lock-hinge"], moment_n_m = "71.73" }
b = { door = "south", version = 1, joints = ["lock-hinge"], moment_n_m = "66.45" }

# What is not listed is not excluded. A joint that opens is what a trial looks for: it is never excluded.
[[exclusions]]
event = "re_hang"
rule = "step"

[[exclusions]]
event = "gauge_changed"
rule = "step"

[[exclusions]]
event = "joint_repaired"
rule = "ends_pair"
"""
