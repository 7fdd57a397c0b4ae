"""For the technician: console files checked, printed, altered and begun."""
