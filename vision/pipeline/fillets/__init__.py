"""The fillet round a lead: toe, free arcs, cover of the land, angle and height."""
