"""One thin file a command; imports what it runs only when called."""
