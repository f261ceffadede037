"""Backups made while the service runs, and restored only where what comes out is what went in."""

from rimekeep.platform.backups.archive import Manifest as Manifest
from rimekeep.platform.backups.making import back_up as back_up
from rimekeep.platform.backups.restoring import restore as restore
