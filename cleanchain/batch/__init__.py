"""Many takes cleaned by one recipe, over several processes or machines."""
