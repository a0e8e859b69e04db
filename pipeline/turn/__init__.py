"""Turn: from a player's pictures to hip and shoulder headings, limb directions, each with doubt."""
