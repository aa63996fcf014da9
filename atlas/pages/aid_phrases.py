"""The phrases of what a sheet does with the device's own sensors, kept apart from what it says of the ground.

`{x}` is filled in by the script.
"""

from __future__ import annotations

from atlas.words import N_

POSITION = {
    "position_none": N_("This device gives no position here. The sheet is whole without it."),
    "position_insecure": N_(
        "This browser gives no position to a page opened like this. Save the sheet and open it in another browser."
    ),
    "position_denied": N_(
        "This browser was told not to give the position. Allow it in the browser's settings for this page."
    ),
    "position_timeout": N_("No position yet. Under trees and beside walls it may take minutes."),
    "position_stale": N_("The position has stopped coming: nobody knows where the machine is now."),
}

AID_PHRASES = {**POSITION}
