"""Numbers from heights alone: slope, classes, stance, drops, wetness, contours, shading."""
