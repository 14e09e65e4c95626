"""The cautions that stand with every plan, in the report and in the README."""

__all__ = ["CAUTIONS"]

CAUTIONS = (
    "Let the machine cool, or keep hands off bed and nozzle: they burn.",
    "Take motor power off before turning anything by hand, support a gantry that can drop, and "
    "keep fingers out of belts and screws.",
    "Move the lifts in the stages given: racking can bend or jam a frame.",
    "Mains-powered heaters and wiring are for a person qualified for it, by the local electrical "
    "code.",
    "The maker's limits outrank this program's.",
)
