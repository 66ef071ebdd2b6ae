"""From units or grams to a batch, and from a batch to its lines. Milligrams and ppm throughout."""

from collections.abc import Sequence

from service.core.units import FULL_PPM, largest_remainder


def batch_for_mass(filled_mg: int, loss_ppm: int, loss_mg: int) -> int:
    """The batch that leaves `filled_mg` after its losses, rounded up: (filled + fixed loss) / (1 - loss share)."""
    left = FULL_PPM - loss_ppm
    return -(-(filled_mg + loss_mg) * FULL_PPM // left)


def batch_for_units(units: int, fill_mg: int, loss_ppm: int, loss_mg: int) -> int:
    """The batch that fills so many units."""
    return batch_for_mass(units * fill_mg, loss_ppm, loss_mg)


def made_from(batch_mg: int, loss_ppm: int, loss_mg: int) -> int:
    """What a batch leaves after its losses, rounded down, never below 0."""
    return max(0, batch_mg * (FULL_PPM - loss_ppm) // FULL_PPM - loss_mg)


def scale(batch_mg: int, shares_ppm: Sequence[int]) -> list[int]:
    """Whole milligrams a line that sum to exactly the batch (law 4: largest remainder, ties by line order)."""
    return largest_remainder(batch_mg, shares_ppm)
