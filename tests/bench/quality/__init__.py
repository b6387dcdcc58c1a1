"""How many troubles planted into readings are found, and how often sound readings are said to have one."""
