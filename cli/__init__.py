"""The command line: people, files and tables on one side, the engine and its banks on the other."""
