"""The phrases a sheet's script speaks while something is marked in the field. `{x}` is filled in there."""

from __future__ import annotations

from atlas.words import N_

SAYING = {
    "place_tap": N_("Tap the place on the map. Move the map with one finger, zoom in to place it better."),
    "place_line": N_("Tap the line's corners on the map, one after the other, then “Done”."),
    "place_area": N_("Tap the area's corners on the map, going round it, then “Done”."),
    "placed": N_("Placed to about {accuracy}. Tap again to move it, or press “Done”."),
    "corners": N_("{count} corners so far."),
    "waiting": N_("Waiting for this device's position."),
    "walk_line": N_("Walk along it, then “Done”."),
    "walk_area": N_("Walk round it, then “Done”."),
    "walked": N_("{length} walked, {count} points kept. The position is good to {accuracy}."),
    "walk_weak": N_("The position is only good to {accuracy}: nothing is kept until it is better."),
    "walk_dark": N_("The screen may go dark and end the walk: set the device to keep it on."),
    "too_few_line": N_("A line needs two different corners."),
    "too_few_area": N_("An area needs three corners that do not lie in one line."),
    "too_far": N_("That is too far from this field. Open the sheet of the field you are in."),
    "too_rough": N_(
        "The position is only good to {accuracy}. Wait for a better one, or tap the place on the map."
    ),
    "here_weak": N_("The position is only good to {accuracy}: the place may be that far off."),
    "keeping": N_("Being kept …"),
    "kept": N_("Kept on this device as mark {sign}."),
    "closed_now": N_("The ground around it counts as closed on this device from now on."),
    "answered": N_("Kept on this device."),
    "broken_off": N_("Walking was broken off before “Done”: {what}, {count} points kept."),
    "own": N_("mark {sign}, {what}"),
    "picture_no": N_("This picture cannot be read. Take another one."),
    "picture_kept": N_("The picture is kept with it."),
}

KEEPING = {
    "store_small": N_("This browser gives little room to keep marks. Hand them over soon, above all pictures."),
    "store_none": N_(
        "This browser keeps nothing once this page is closed. Save the marks as a file before you close it."
    ),
    "not_kept": N_("Not kept on this device: {why} Save the marks as a file before you close this page."),
    "why_full": N_("there is no room left."),
    "why_other": N_("the browser refuses to."),
    "clock": N_("This device's clock is before the day this map was made, so marks get no time. Set the clock."),
}

LISTING = {
    "none": N_("Nothing is marked on this device in this field."),
    "waiting_marks": N_("Not handed over yet: {count}."),
    "all_handed": N_("Everything marked on this device is handed over."),
    "other_fields": N_("That counts marks in other fields too: {names}."),
    "not_handed": N_("not handed over"),
    "handed": N_("handed over {when}"),
    "on_map": N_("on this map as number {tag}"),
    "lost": N_("not kept on this device"),
    "point": N_("a place, good to {accuracy}"),
    "line": N_("a line of {length}, good to {accuracy}"),
    "area": N_("an area of {area}, good to {accuracy}"),
    "still": N_("Number {tag}, {kind}: still there"),
    "gone": N_("Number {tag}, {kind}: gone"),
    "no_tag": N_("not on this map"),
    "by": N_("by {name}"),
    "tell": N_("Mark {sign}, made on this device: {what}. Closed until the farm lead has judged it."),
    "tell_near": N_("Mark {sign}, made on this device: {what} near here."),
    "banner": N_("Closed on this device: mark {sign}, {what}."),
    "details": N_("Note or picture"),
    "take_back": N_("Take back"),
    "take_back_sure": N_("Take it back for good"),
    "put_away": N_("Put away"),
    "put_away_sure": N_("The farm lead has judged it: put away"),
    "put_away_count": N_("Put away: {count}. They stay on this device."),
    "picture_of": N_("Picture of mark {sign}"),
    "part": N_("{count} of {all} marks go into this file, the rest into the next one."),
    "saved": N_("The file {name} is with this device's downloads. Send it to the farm lead."),
    "share_no": N_("The file was not passed on."),
    "share_title": N_("Marks from the field"),
}

MARK_PHRASES = {**SAYING, **KEEPING, **LISTING}
