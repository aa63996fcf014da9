#!/bin/sh
# Chromium without the two pages that it keeps ready behind its address bar: they cost as much as the page under
# test, in each window anew. Of several lists of what is off it takes the last, so ours is added to the one it gets.
for word do
  shift
  case $word in --disable-features=*) word="$word,WebUIOmniboxPopup,WebUIOmniboxAimPopup" ;; esac
  set -- "$@" "$word"
done
exec "$(command -v chromium || command -v chromium-browser)" "$@"
