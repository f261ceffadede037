"""What will not sell in time."""

from rimekeep.picking.core.outlook.records import Demand, LotOutlook, LotPart, Outlook, Relaxation
from rimekeep.picking.core.outlook.solve import outlook

__all__ = ["Demand", "LotOutlook", "LotPart", "Outlook", "Relaxation", "outlook"]
