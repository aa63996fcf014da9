// Runs before the page is drawn, so that what only scripts can do never flashes up without them.
document.documentElement.className += " js";
