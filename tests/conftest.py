"""What all tests share."""

from hypothesis import settings

# The same examples every time, and no failure because the machine was busy.
settings.register_profile("steady", parent=settings(), deadline=None, derandomize=True)
settings.load_profile("steady")
