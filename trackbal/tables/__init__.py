"""Tables of any shape turned into trackbal's sheets, by a map that says what is what."""
