"""The demo: invented firms and roofs, simulated and sent in through the real HTTP path."""
