"""What stays of a session: readings as rows, frames of the screen, all in one folder."""
