"""The pure core: readings in, an honest result out. No clock, file, network, randomness or logging."""
