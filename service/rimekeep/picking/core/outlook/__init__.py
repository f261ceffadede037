"""What will not sell in time."""

from rimekeep.picking.core.outlook.known import Known, Word
from rimekeep.picking.core.outlook.records import Demand, LotOutlook, LotPart, Outlook, Relaxation
from rimekeep.picking.core.outlook.solve import outlook

__all__ = ["Demand", "Known", "LotOutlook", "LotPart", "Outlook", "Relaxation", "Word", "outlook"]
