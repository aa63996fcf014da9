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

TILT = {
    "tilt_start": N_("Show tilt"),
    "tilt_stop": N_("Stop tilt"),
    "tilt_waiting": N_("Waiting for the sensor"),
    "tilt_none": N_("This device gives no tilt here. The sheet is whole without it."),
    "tilt_insecure": N_(
        "This browser gives no tilt to a page opened like this. Save the sheet and open it in another browser."
    ),
    "tilt_denied": N_(
        "This browser was told not to give the tilt. Allow motion in the browser's settings for this page."
    ),
    "tilt_stopped": N_("The sensor has stopped: no tilt now."),
    "tilt_unset": N_("Not set to level: no tilt yet"),
    "tilt_unset_why": N_("The steps are on this sheet under Tilt."),
    "tilt_moved": N_("The tablet is being moved: no tilt now"),
    "tilt_off_mount": N_("The tablet is not as it was set to level: no tilt now"),
    "tilt_moved_since": N_(
        "The tablet was moved since it was set. If its mount has changed, set it to level anew."
    ),
    "tilt_side": N_("Sideways {found} of {limit} %"),
    "tilt_side_left": N_("Sideways {found} of {limit} %, left low"),
    "tilt_side_right": N_("Sideways {found} of {limit} %, right low"),
    "tilt_nose": N_("Nose {found} of {limit} %"),
    "tilt_nose_up": N_("Nose up {found} of {limit} %"),
    "tilt_nose_down": N_("Nose down {found} of {limit} %"),
    "tilt_steep": N_("Steepness {found} of {limit} % for grip"),
    "tilt_near": N_("Near the limit: {what}"),
    "tilt_limit": N_("At the limit: {what}"),
    "level_begin": N_("Set to level"),
    "level_again": N_("Set anew"),
    "level_none": N_("Not set to level for {machine} on this device yet."),
    "level_set": N_("Set to level for {machine} on {day}. Set anew if the tablet or its mount has changed."),
    "level_other": N_("Not set to level for {machine_now}, but for {machine} on {day}."),
    "level_first": N_(
        "1 of 3. Stand the machine on a spot of the yard, mark where its wheels are, and keep it still."
    ),
    "level_second": N_(
        "2 of 3. Turn it right round, stand it on the same marks facing the other way, keep it still."
    ),
    "level_third": N_(
        "3 of 3. Which way is ahead? If the screen does not face the driver squarely, "
        "drive straight up a slope of 10 % or more, stop there and read."
    ),
    "level_hold": N_("Reading: keep still."),
    "level_unsteady": N_("It was not still."),
    "level_steep": N_("The two readings do not go together: another spot, or the mount gave way. Begin again."),
    "level_not_turned": N_("The machine was not turned right round between the readings. Begin again."),
    "level_too_flat": N_("That was too little slope to tell which way is ahead."),
    "level_forgets": N_("This browser will forget it when the page closes."),
}

AID_PHRASES = {**POSITION, **WATCH, **TILT}
