"""What EPCIS asks to be done."""

from rimekeep.tracing.epcis.usecases.capturing import begin_attempt, give_up, take_document, work_off
from rimekeep.tracing.epcis.usecases.speaking import set_speaking
from rimekeep.tracing.epcis.usecases.telling import tell

__all__ = ["begin_attempt", "give_up", "set_speaking", "take_document", "tell", "work_off"]
