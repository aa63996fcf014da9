"""Hostile and odd values that several families of cases draw from."""

from __future__ import annotations

from random import Random

TEXTS = (
    "'; DROP TABLE hazards; --", '"); DELETE FROM parcels; --', "a\"b'c`d]e[f", "<script>alert(1)</script>",
    "</style><svg onload=alert(1)>", "{{ 7*7 }}{% raw %}", "#let x = read(\"/etc/passwd\")", "\\u0000\\n%s%n{}",
    "../../../../etc/passwd", "/etc/passwd", "C:\\con\\nul", "con", "..", ".", "a/b\\c:d|e?f*g", "~/x",
    "$(reboot)",
    "\x00", "a\x00b", "\x1b[2J\x1b[31mred", "\r\nSet-Cookie: a=b", "\u202eevif\u202c", "\u200b", "\ufeff",
    "\ufffe",
    "e\u0301" * 400, "\U0001f304" * 50, "ß" * 300, "x" * 5_000, "y" * 200_000, " ", "", "\t\n", "NaN", "None",
    "-1",
    "0", "1e999", "=1+1", "%00", "&lt;b&gt;", "]]>", "<!--", "--", "é", "İ", "ﬁeld", "F01", "f01", "F01 ",
)  # fmt: skip
NUMBERS = (
    0, 1, -1, 2, 3, 4, 0.5, 1e-300, 1e300, -1e300, float("inf"), float("-inf"), 2**31, 2**63 - 1, -(2**63), 1000,
    1000.0001, 999.9, 1e15, -0.0, 30,
)  # fmt: skip
TIMES = (
    "2026-05-02T06:00:00Z", "9999-12-31T23:59:59Z", "0001-01-01T00:00:00Z", "0001-01-01T00:00:00+14:00",
    "9999-12-31T23:59:59-14:00", "10000-01-01", "2026-13-01", "2026-02-30T00:00:00Z", "2026-05-02", "20260502",
    "2026-W18-6", "now", "", " ", "2026-05-02T25:00:00Z", "2026-05-02T06:00:00+99:99", "-2026-05-02", "1/2/2026",
    "2026-05-02T06:00:00.123456789Z", "2026-05-02T06:00:60Z", "٢٠٢٦-٠٥-٠٢", "0", "1e5",
)  # fmt: skip


def value(rng: Random) -> object:
    """Anything that SQLite can hold in a cell."""
    return rng.choice(
        (
            None,
            rng.choice(TEXTS),
            rng.choice(NUMBERS),
            rng.choice(TIMES),
            rng.randbytes(rng.randrange(60)),
            rng.choice(("wet_spot", "no_go", "firm", "yes", "1,5", "3,000.5", "٣")),
        )
    )
