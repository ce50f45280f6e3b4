"""The pictures of a study's report. Import them late: they load the drawing library."""
