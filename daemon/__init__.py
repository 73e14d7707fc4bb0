"""The long-lived half: reads sensors, decides what to keep, writes it down."""
