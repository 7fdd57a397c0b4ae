"""What is said wherever coils, supplies or their wires appear: what can hurt whom."""

CAUTIONS = (
    "This console has outputs that drive coils. Before you switch the supply on:",
    "  - There may be mains inside the console and the blower's starter: leave them to a licensed",
    "    electrician, and isolate them before you reach in.",
    "  - An action supply can deliver a welding current: take rings and watches off, fuse every",
    "    feed, and gauge wires by your local code, which comes first.",
    "  - A coil that is left on burns. Give each output that drives one a `longest-on`, and watch",
    "    the first start with a hand on the supply's switch.",
)
