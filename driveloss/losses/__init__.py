"""No-load losses at any frequency."""
