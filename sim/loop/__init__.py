"""The one loop that ties plant and processor together."""
