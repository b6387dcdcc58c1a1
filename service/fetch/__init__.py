"""Asks open weather services over the network: air temperature and irradiance by the hour, and a far horizon.

The only room that reaches out to strangers, and only when a setting or a click says so. It speaks to them through
`pvlib.iotools`. No database, no physics, no pages.
"""
