"""The pictures of a study's report. Import them late: they bring the drawing library."""
