"""Values that come one by one while the sun shines (a broker's messages, polled devices) on their way to intervals."""
