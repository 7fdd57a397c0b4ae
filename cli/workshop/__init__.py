"""For the workshop: a console planned, wired, proved and handed over, on paper and on the bench."""
