"""What usually causes what in selective soldering: common practice of the trade, no published source.

Each cause names the symptoms it shows, the places it can act at, the logged quantities that would betray it, and
the next check that tells it from the others. A table of first suspects, not of facts.
"""

from __future__ import annotations

from dataclasses import dataclass

from vision.line.history import JOINT, LAND, NOZZLE, POT, STEP, WHOLE

SOURCE = "common practice, no published source"
#: Stands beside every list of what to look at: the checks lead to pots and nozzles.
CAUTION = ("solder, nozzles, pots and boards are hot and flux gives off fume; stop the machine and let it cool before "
           "you reach in, as its manual and your site's rules say.")


@dataclass(frozen=True)
class Cause:
    """One usual cause.

    `symptoms` are quantities with the side to which they move: `coverage_deg-`, `bridge+`. `signs` are logged
    quantities likewise; `*` means any change (a new batch).
    """

    name: str
    text: str
    symptoms: tuple[str, ...]
    places: tuple[str, ...]
    signs: tuple[str, ...]
    check: str


CAUSES: tuple[Cause, ...] = (
    Cause("flux_short", "too little flux here, or flux beside the joints",
          ("wetting_angle_deg+", "coverage_deg-", "fillet_height_mm-", "land_cover_pct-", "partial_wetting+",
           "non_wetting+", "no_solder+", "bridge+", "solder_projection+"), (STEP, NOZZLE, JOINT, WHOLE),
          ("flux_drops-", "flux_drops_missing+", "flux_direction_ok-"),
          "Spray this step onto paper and hold it against a fresh jet's pattern; count the drops; clean or change the "
          "jet and watch the next ten boards."),
    Cause("preheat_low", "preheat too cold",
          ("wetting_angle_deg+", "coverage_deg-", "fillet_height_mm-", "partial_wetting+", "solder_ball+", "blowhole+"),
          (WHOLE, POT), ("preheat_end_c-", "preheat_gradient_k_s-"),
          "Send a board with thermocouples through; look for a heater zone that is off or slow after a stop."),
    Cause("preheat_high", "preheat too hot or too long, so that the flux is spent before the solder comes",
          ("bridge+", "solder_projection+", "wetting_angle_deg+", "non_wetting+", "residue_pct+"), (WHOLE, POT),
          ("preheat_end_c+", "preheat_gradient_k_s+"),
          "Send a board with thermocouples through; compare time above the flux's working range with its data sheet."),
    Cause("nozzle_dewetted", "the nozzle no longer wets all round, so that the wave runs off unevenly",
          ("fillet_height_mm-", "coverage_deg-", "land_cover_pct-", "wetting_angle_deg+", "no_solder+",
           "partial_wetting+", "solder_projection+"), (NOZZLE,),
          ("minutes_since_cleaning+", "brush_passes-"),
          "Look at the running nozzle: does solder flow down on every side? Clean and tin it, then watch the next ten "
          "boards."),
    Cause("pot_cold", "solder too cold", ("fillet_height_mm-", "coverage_deg-", "solder_projection+", "bridge+",
                                         "wetting_angle_deg+"), (POT,), ("pot_temperature_c-",),
          "Measure the solder at the nozzle with an independent thermocouple."),
    Cause("pot_hot", "solder too hot", ("solder_ball+", "blowhole+", "residue_pct+"), (POT,), ("pot_temperature_c+",),
          "Measure the solder at the nozzle with an independent thermocouple."),
    Cause("contact_short", "too short a contact with the solder",
          ("fillet_height_mm-", "coverage_deg-", "no_solder+", "partial_wetting+", "land_cover_pct-"),
          (STEP, NOZZLE, POT), ("solder_time_s-",),
          "Compare the programme's dwell at this step with the revision that ran before; time it with a stopwatch."),
    Cause("contact_long", "too long a contact, or too little drained off",
          ("excess_solder+", "fillet_height_mm+", "convexity+", "bridge+"), (STEP, NOZZLE, POT), ("solder_time_s+",),
          "Compare dwell and withdraw speed at this step with the revision that ran before."),
    Cause("wave_low", "wave or nozzle too low, or level of solder in the pot low",
          ("fillet_height_mm-", "coverage_deg-", "no_solder+", "land_cover_pct-"), (NOZZLE, POT), (),
          "Measure the wave's height with the gauge; check the solder level and the pump."),
    Cause("aim", "the nozzle stands beside these joints", ("coverage_deg-", "no_solder+", "partial_wetting+",
                                                          "largest_gap_deg+"), (STEP, JOINT), (),
          "Check the position of this step on a board in the machine; look whether the gaps all point the same way."),
    Cause("lands_poor", "boards whose lands take solder badly (aged or contaminated finish)",
          ("wetting_angle_deg+", "coverage_deg-", "land_cover_pct-", "non_wetting+", "partial_wetting+"), (WHOLE, LAND),
          ("board_batch*",),
          "Solder ten boards of the batch before between ten of this one; dip-test a bare board of each."),
    Cause("boards_moist", "boards that hold moisture or trapped solvent", ("blowhole+", "solder_ball+"), (WHOLE, LAND),
          ("board_batch*",), "Bake ten boards as their maker states and solder them between ten unbaked ones."),
    Cause("wave_rough", "a wave that is too high or rough, so that it spatters", ("solder_ball+", "bridge+"),
          (STEP, NOZZLE, POT), (),
          "Watch the wave at this nozzle; lower the pump speed a little and compare ten boards with the ten before."),
    Cause("mask", "solder mask to which balls stick (cure or finish of the boards)", ("solder_ball+",), (WHOLE, LAND),
          ("board_batch*",), "Solder ten boards of the batch before between ten of this one and count the balls."),
    Cause("leads_poor", "a batch of the component whose leads take solder badly",
          ("wetting_angle_deg+", "non_wetting+", "partial_wetting+", "coverage_deg-"), (JOINT, LAND), (),
          "Dip-test leads from the new and the old reel; see when the component's batch changed."),
    Cause("flux_changed", "another batch of flux, or flux too thin", ("wetting_angle_deg+", "bridge+", "solder_ball+",
                                                                     "residue_pct+"), (WHOLE,), ("flux_batch*",),
          "Measure the flux's density and solids against its data sheet."),
    Cause("air", "too much oxygen at the nozzle", ("bridge+", "solder_projection+", "wetting_angle_deg+",
                                                   "fillet_height_mm-"), (NOZZLE, POT, WHOLE), ("oxygen_ppm+",),
          "Measure oxygen at the nozzle; look for a loose nitrogen hose or a blocked shroud."),
    Cause("withdraw", "the nozzle leaves the joint too fast", ("solder_projection+", "bridge+"), (STEP, NOZZLE), (),
          "Compare the withdraw speed with the revision that ran before; lower it by half on ten boards."),
    Cause("flux_much", "too much flux", ("solder_ball+", "residue_pct+", "blowhole+"), (STEP, WHOLE),
          ("flux_drops+", "flux_drops_missing-"), "Weigh a board before and after fluxing; count the drops."),
    Cause("pause", "the line was started again after a pause and had not settled",
          ("wetting_angle_deg+", "coverage_deg-", "solder_ball+", "fillet_height_mm-"), (WHOLE, POT, NOZZLE),
          ("minutes_since_pause-",),
          "Watch the next start: do the first boards differ and later ones recover? Then run warm-up boards first."),
    Cause("station", "the camera station changed, not the soldering (focus, light, height of the board)",
          ("sharpness-", "sharpness+", "wetting_angle_deg+", "wetting_angle_deg-", "fillet_height_mm+",
           "fillet_height_mm-"), (WHOLE,), (),
          "Grade a kept board again: if its measurements moved too, it is the station."),
)
