"""The endpoints under /api, and those for machines that watch the service: a module for each subject."""

from gateway.service.api import conversions, holds, queue, results, watching

ROUTERS = (conversions.router, results.router, holds.router, queue.router, watching.watch)
"""In the order in which they are described."""
