"""The engine under an organ console: tabs, pistons and crescendo in; what sounds out.

A pure state machine. `combination.model` is the console, `combination.memory` what its pistons
remember, `combination.action` the rules; nothing here opens a file or a port, or asks the time.
"""
