"""Briefs: what they say (content), frames drawn on (figures), pages laid out (layout)."""
