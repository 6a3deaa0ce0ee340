"""The web service: exports and mappings in, records and reports out, over HTTP.

| module | what it does |
| --- | --- |
| settings | what the service is told: address, tokens and their roles, limits, folders |
| access | who asks, and what they may do; sign-in of a browser; requests from foreign pages refused |
| limits | size, time and rate of requests, security headers, log lines and measurements |
| problems | errors as RFC 9457 problem details, without anything of the input |
| negotiation | which of several forms a client prefers |
| jobs | conversions in processes of their own, with progress, a time limit, and results kept for a stated time |
| tasks | what those processes do |
| api | the endpoints under /api |
| bench | the page on which mappings are tried and signed off |
| pages | the other pages: start, sign-in, conversions, holds, outbox |
| app | joins them |

Nothing here is imported by the command line before `gateway serve` is asked for.
"""
