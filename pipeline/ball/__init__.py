"""Ball tracks: candidates in frames to flights, bounces and hits, by a flight model."""
