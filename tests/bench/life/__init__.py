"""What befalls sites while they are looked at: units and branches that die or are mended within the window.

Roofs of the demo's engine, anywhere, in any season and weather. The fleets' sites have their faults all the time or
from a day on; here those that outlive them are what counts: no healthy one may stand accused.
"""
