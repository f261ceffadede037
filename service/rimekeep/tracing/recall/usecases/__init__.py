"""Call stock back: say what, stop it, tell those who have it, and account for every case."""

from rimekeep.tracing.recall.usecases.answers import answer, notify
from rimekeep.tracing.recall.usecases.close import close
from rimekeep.tracing.recall.usecases.draft import draft, drill
from rimekeep.tracing.recall.usecases.remind import remind
from rimekeep.tracing.recall.usecases.start import start

__all__ = ["answer", "close", "draft", "drill", "notify", "remind", "start"]
