"""When bars begin and end: calendars, timeframes, timetables and the user's dates."""
