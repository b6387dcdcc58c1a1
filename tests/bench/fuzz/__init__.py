"""Spoiled files and payloads against a real server: no fault of ours is answered, nothing takes long or much memory."""
