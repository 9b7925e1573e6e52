"""How sizes fitted to the outline and sizes read by the pepper network err, and how much alike.

`python -m tests.benchmarks.readings` prints, from the donors that `tests.benchmarks.found_errors` measured on
plates of three families of forms, what `ERR_ALIKE` and `READ_WIDER` in `truelobe.fruit.measure` are taken from,
families in equal shares. Errors are those of logarithms, over the stated deviation; lengths in a pose that hides
them are left out.
"""

from collections.abc import Sequence

import numpy as np
from sample_images.maker.found import FARTHEST, Donor, donors

from truelobe.fruit.measure import TILTED_DEG

QUANTITIES = ("diameter", "length")


def report(some: Sequence[Donor]) -> str:
    """Return the table."""
    families = sorted({donor.family for donor in some})
    lines = [f"{'':42}{'peppers':>8}{'outline':>9}{'reading':>9}{'alike':>7}"]
    for k, name in enumerate(QUANTITIES):
        for tilted in (False, True):
            like = [donor for donor in some if (donor.fit_tilt_deg >= TILTED_DEG) == tilted]
            where = f"{name}, tilted {'over' if tilted else 'under'} {TILTED_DEG:.0f} degrees"
            apart = [[one for one in like if one.family == family] for family in families]
            rows = [_row([_over_deviations(one)[:, k] for one in each]) for each in apart]
            lines += [_line(f"{where}, {family}", row) for family, row in zip(families, rows, strict=True)]
            counted, errors, alike = np.split(np.array(rows), (1, 3), axis=1)
            together = (counted.sum(), *np.sqrt((errors**2).mean(axis=0)), alike.mean())
            lines.append(_line(f"{where}, all alike", together))
    return "\n".join(lines)


def _over_deviations(donor: Donor) -> np.ndarray:
    """Errors of sizes fitted and read (rows), of diameter and length; in mm both share that of the distance."""
    return np.stack([donor.fit_off / donor.fit_u, (donor.size_off + donor.far_off) / donor.size_u])


def _row(both: Sequence[np.ndarray]) -> tuple[float, ...]:
    """Number, root mean squares of both errors, and their correlation."""
    errors = np.array(both).reshape(-1, 2)
    errors = errors[np.isfinite(errors).all(axis=1)]
    if len(errors) < 3:
        return (len(errors), np.nan, np.nan, np.nan)
    held = np.clip(errors, -FARTHEST, FARTHEST)
    return (len(errors), *np.sqrt((errors**2).mean(axis=0)), np.corrcoef(held.T)[0, 1])


def _line(name: str, row: Sequence[float]) -> str:
    count, fitted, read, alike = row
    return f"{name:42}{count:8.0f}{fitted:9.2f}{read:9.2f}{alike:7.2f}"


if __name__ == "__main__":
    print(report(donors()))
