"""A machine as a commented machine file."""

import json

from level.machine import Machine

__all__ = ["machine_toml"]


def machine_toml(machine: Machine) -> str:
    """Write a machine as TOML with a note at each key.

    Parameters
    ----------
    machine : Machine
        A machine with a bed.

    Returns
    -------
    str
        What `read_machine` reads back as the same machine.
    """
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("level.show"),
        undefined=StrictUndefined,
        trim_blocks=True,
        autoescape=False,  # TOML, not HTML; strings go through the toml filter
    )
    # a TOML basic string is written like a JSON one, but for the delete character
    environment.filters["toml"] = lambda text: json.dumps(text, ensure_ascii=False).replace(
        "\x7f", "\\u007f"
    )
    text = environment.get_template("machine.toml").render(machine=machine)
    return "\n".join(line.rstrip() for line in text.strip().splitlines()) + "\n"
