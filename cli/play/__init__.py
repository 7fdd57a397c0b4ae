"""A console that is played: ports, threads, a store and a screen around the instrument."""
