"""Say how products age; find out what is left."""

from rimekeep.shelflife.usecases.profiles import add_profile
from rimekeep.shelflife.usecases.refresh import Refreshed, refresh_life

__all__ = ["Refreshed", "add_profile", "refresh_life"]
