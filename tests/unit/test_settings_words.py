"""What a settings file with a slip of the pen is told: in the words of who wrote it, not of the library."""

from __future__ import annotations

from pathlib import Path

import pytest

from atlas.errors import SettingsError
from atlas.settings import load


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('[farm]\nlanguages = "en"', r"'farm\.languages' is 'en'; write it as a list, in square brackets\.$"),
        (
            '[farm]\ntime_zone = "Viena"',
            r"'farm\.time_zone' names 'Viena', which is no time zone; write one like 'Europe/Vienna' or 'UTC'\.$",
        ),
        (
            '[farm]\ntime_zone = "../../etc/passwd"',
            r"'farm\.time_zone' names '\.\./\.\./etc/passwd', which is no time zone",
        ),
        (
            '[watch]\nnear_m = "1,9"',
            r"'watch\.near_m' is '1,9', which is no number; write it without quotes and with",
        ),
        ("[watch]\nnear_m = 1,9", r"is not valid TOML \(.*\); write numbers with a point, as in 1\.9\.$"),
        (
            "[farm]\nname = x # 1,9",
            r"is not valid TOML \([^)]*\(at line 2, column 8\)\); write text in straight quotes, as in",
        ),
        ("[farm]\nname = “Hof”", r"write text in straight quotes, as in \"Our farm\"\.$"),
        ("[farm]\nname = true x", r"is not valid TOML \([^)]*\(at line 2, column 13\)\)\.$"),
        (
            '[machines]\nname = "x"',
            r"'machines\.name' is 'x', where a table belongs; write \[machines\.KEY\] above",
        ),
        ('farm = "x"', r"'farm' is 'x', where a table belongs; write \[farm\] above its keys\.$"),
        (
            "[terrain]\nbreaks_pct = [50, 35]",
            r"'terrain\.breaks_pct' is \[50, 35\]: it must rise from left to right\.$",
        ),
    ],
)
def test_slips_of_the_pen(tmp_path: Path, text: str, told: str) -> None:
    path = tmp_path / "atlas.toml"
    path.write_text(text, "utf-8")
    with pytest.raises(SettingsError, match=told):
        load(path)


def test_a_mark_before_the_text_is_passed_over(tmp_path: Path) -> None:
    path = tmp_path / "atlas.toml"
    path.write_bytes(b'\xef\xbb\xbf[farm]\r\nname = "Hof"\r\n')
    assert load(path).farm.name == "Hof"
