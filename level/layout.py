"""Where lifts usually stand, as a start for a machine file."""

import math

__all__ = ["usual_places"]


def usual_places(
    count: int, x: tuple[float, float], y: tuple[float, float]
) -> list[tuple[str, float, float]]:
    """Give names and places for so many lifts on a bed.

    Parameters
    ----------
    count : int
        Number of lifts, 1 or more.
    x, y : (float, float)
        Edges of the bed, mm.

    Returns
    -------
    list of (name, x, y)
        One in the middle; two at the sides; three with two in front; four at the corners; more
        spread evenly on an ellipse round the bed, from the left front clockwise seen from above.

    Examples
    --------
    >>> usual_places(3, (0, 300), (0, 200))
    [('front left', 0, 0), ('front right', 300, 0), ('back', 150.0, 200)]
    """
    (left, right), (front, back) = x, y
    middle_x, middle_y = (left + right) / 2, (front + back) / 2
    if count == 1:
        return [("middle", middle_x, middle_y)]
    if count == 2:
        return [("left", left, middle_y), ("right", right, middle_y)]
    if count == 3:
        return [
            ("front left", left, front),
            ("front right", right, front),
            ("back", middle_x, back),
        ]
    if count == 4:
        return [
            ("front left", left, front),
            ("front right", right, front),
            ("back right", right, back),
            ("back left", left, back),
        ]
    places = []
    for k in range(count):
        angle = math.radians(225) - 2 * math.pi * k / count
        places.append(
            (
                f"lift {k + 1}",
                round(middle_x + (right - left) / 2 * math.cos(angle), 1),
                round(middle_y + (back - front) / 2 * math.sin(angle), 1),
            )
        )
    return places
