"""Running unattended: schedule, intake, store, delivery, health."""
