"""What every feature stands on: settings, database, HTTP, ledger, outbox, jobs. Knows no feature."""
