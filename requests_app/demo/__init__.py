"""An invented department for a first look; nothing here is real."""
