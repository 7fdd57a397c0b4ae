"""For the owner: the store in which a console keeps its players' banks."""
