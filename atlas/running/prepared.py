"""Whether this computer has built an atlas before: the loops of a survey are compiled once, by the first build."""

from __future__ import annotations

from pathlib import Path

from atlas.terrain import stance_kernel

FIRST = "The first atlas on a computer takes about a minute longer than the next ones."


def prepared() -> bool:
    """Whether a survey's loops lie compiled where they are kept, as far as one of them tells."""
    folder = stance_kernel.bilinear_terms.stats.cache_path
    if folder is None:  # an installation and a home that may not be written
        return False
    source = Path(stance_kernel.__file__).stat().st_mtime
    kept = Path(folder).glob("stance_kernel.bilinear_terms-*.nbi")
    return any(index.stat().st_mtime >= source for index in kept)
