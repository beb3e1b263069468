"""Plans: stations worth visiting, first without knowledge, then where they tell most."""
