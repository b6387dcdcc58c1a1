"""The collector: reads devices on a site's own network and sends to the service what they say.

It runs on any small machine, knows the service by its HTTP contract only, and keeps on disk all that the service has
not acknowledged. No database of ours, no physics, no judgement.
"""
