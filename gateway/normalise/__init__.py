"""From text to meaning: values in exact arithmetic, times with their offset."""
