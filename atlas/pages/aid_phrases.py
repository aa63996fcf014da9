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

WATCH = {
    "watch_start": N_("Follow my position"),
    "watch_stop": N_("Stop following"),
    "watch_waiting": N_("Waiting for the position"),
    "watch_following": N_("Following"),
    "watch_near": N_("{what}: {metres} m ahead"),
    "watch_near_around": N_("{what}: {metres} m away"),
    "watch_inside": N_("You are on closed ground: {what}"),
    "watch_maybe_inside": N_("You may be on closed ground: {what}"),
    "watch_across": N_("Across the slope by {degrees}°: here only straight up or down"),
    "watch_outside": N_("Outside the field: nothing is known here"),
    "watch_weak": N_("Position too weak to warn: it may be {accuracy} m off"),
    "watch_weak_why": N_("Warnings need it to within {metres} m."),
    "watch_ahead": N_(
        "Ahead: {what}, {metres} m, {lengths}. The {accuracy} m the position may be off are taken off."
    ),
    "watch_taken_off": N_("{lengths}. The {accuracy} m the position may be off are taken off."),
    "watch_begins": N_("It begins {metres} m from here, and the position may be {accuracy} m off."),
    "watch_around": N_(
        "No way of travel yet. Nearest on any side: {what}, {metres} m, {lengths}. "
        "The {accuracy} m the position may be off are taken off."
    ),
    "watch_no_way": N_("No way of travel yet."),
    "watch_edge": N_("The field ends {metres} m ahead, {lengths}. Beyond it nothing is known."),
    "watch_lengths": N_("{n} machine lengths"),
    "watch_one_length": N_("one machine length"),
    "watch_under_a_length": N_("less than a machine length"),
    "watch_tag": N_("marking {tag}, {kind}"),
    "watch_drop": N_("drop"),
    "watch_unknown_edge": N_("nobody has measured what lies below"),
    "watch_silence": N_("Silence is no promise: only what was measured and marked can warn."),
    "watch_no_warning": N_("No warnings now."),
    "no_sound": N_("No sound on this device."),
    "no_vibration": N_("No vibration on this device."),
    "no_wake_lock": N_("The screen may go dark and end the warnings: set the device to keep it on."),
}

AID_PHRASES = {**POSITION, **WATCH}
