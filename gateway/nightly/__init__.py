"""What happens each night: records are delivered from the outbox of the ledger."""
