"""Which cause explains what was seen of a suspect unit, and which test tells most next.  Pure."""
