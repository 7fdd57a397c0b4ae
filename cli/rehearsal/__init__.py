"""For the tester: rehearsals, as text and as recorded MIDI."""
