"""For the organist: banks kept, printed, compared and altered."""
