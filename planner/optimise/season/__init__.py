"""The spawning season ahead: ripening, holding pairs, rehearsal, mating designs, culls, production, hatch dates."""
