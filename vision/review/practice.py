"""What is usually done at the bench, and what to take care of, in words.

Common practice, no published source, unless one is named. The site's own instruction, the solder, flux and component
makers' data sheets and the current standards always come first; every sheet says so.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from models.vocabulary import CHIP_FINDINGS, FINDING


@dataclass(frozen=True)
class Practice:
    """What is usually done about one finding: a short name for the record, and the steps."""

    action: str
    steps: str
    seconds: float  # longest contact of the iron that is usually given, s
    thorough: int  # of two at one place the larger number does more to the joint
    turn: int = 1  # when it is done at one place: what lies outside the joint is taken off first, cleaning is last
    keeps: str = ""  # what is still to be heeded where a more thorough step takes this one's place


#: Hand soldering guidance commonly gives at most 3 s a contact, 2 s on parts that heat harms (published guidance).
CONTACT_S, TENDER_CONTACT_S = 3.0, 2.0

PRACTICES: dict[str, Practice] = {
    "no_solder": Practice("solder added with flux", "Check that the lead stands through the hole. Flux, heat lead and "
                          "land together, feed solder from the other side until it flows all the way round.",
                          CONTACT_S, 6),
    "partial_wetting": Practice("reflowed with flux", "Flux the open part of the land and the lead. Heat both "
                                "together and add a little solder so that it runs all the way round. If one spot "
                                "stays dull and dry, clean it and try once more.", CONTACT_S, 3,
                                keeps="See that the solder runs all the way round."),
    "non_wetting": Practice("cleaned and resoldered", "Take the old solder off with wick. Clean land and lead, flux, "
                            "tin, and solder anew. If the land still does not take solder, stop and ask: it may be "
                            "spoilt.", CONTACT_S, 7,
                            keeps="Clean land and lead, flux and tin before you solder. If the land does not take "
                                  "solder, stop and ask: it may be spoilt."),
    "excess_solder": Practice("surplus taken off with wick", "Take the surplus off with wick and flux until the "
                              "lead's end shows and the fillet is hollow. Do not pull the wick while it is cold.",
                              CONTACT_S, 4, keeps="If you use wick, do not pull it while it is cold."),
    "lead_missing": Practice("lead reseated or part replaced", "Look from the component side: is the lead bent under "
                             "the part, too short, or the part missing? Clear the hole, reseat or replace the part, "
                             "then solder.", CONTACT_S, 8),
    "bridge": Practice("bridge removed with wick", "Flux the bridge and draw it off with wick or a clean tip, away "
                       "from the smaller joint. Then look at both joints: neither may have lost its fillet.",
                       CONTACT_S, 5, turn=0),
    "solder_ball": Practice("balls taken off and cleaned", "Lift the balls off with tweezers or a wooden stick, "
                            "without scratching the mask, and clean with the site's cleaner. Look under parts "
                            "nearby.", 0.0, 0, turn=2),
    "blowhole": Practice("reflowed with flux", "Flux and reheat until the joint is liquid all through, so that the gas "
                         "can leave. If the hole comes back, ask: the board may hold moisture.", CONTACT_S, 2,
                         keeps="If a hole comes back, ask: the board may hold moisture."),
    "solder_projection": Practice("spike remelted with flux", "Flux the spike and touch it with a clean, hot tip; draw "
                                  "away along the lead. Check the distance to the neighbours.", TENDER_CONTACT_S, 1,
                                  keeps="Check the distance to the neighbours."),
    "chip_missing": Practice("chip placed and soldered", "Clean both lands. Place a chip of the right value from the "
                             "parts list, not one found on the board, and solder one end after the other.",
                             TENDER_CONTACT_S, 2),
    "chip_shifted": Practice("chip replaced", "Heat both ends together, take the chip off and put a new one in its "
                             "place: one that was moved by force may be cracked.", TENDER_CONTACT_S, 1),
}

CONTACT_CAUTION = (
    "Contact time: published guidance for hand soldering commonly gives at most 3 s a contact, and 2 s where the part "
    "or its housing suffers from heat. Let the joint cool before a second try. If the solder does not flow in that "
    "time, do not press on: a larger tip, flux or preheat helps, longer heating lifts the land.")

#: Stands above the first stop; the rest of the cautions follows the last one.
FIRST_CAUTION = ("Before the first stop: the iron is at 300 to 400 °C and the board may be hot; wear eye protection; "
                 "work with the fume extraction on; if the solder holds lead, no food or drink here, and wash your "
                 "hands afterwards. All cautions stand below the last stop.")

#: Cautions of every sheet: a short name and the text. Facts have their source beside them.
CAUTIONS: tuple[tuple[str, str], ...] = (
    ("Hot iron", "The tip is at 300 to 400 °C. Keep it in its stand, never hand it over, switch it off when you "
                 "leave."),
    ("Hot board", "Board, parts and solder pot stay hot after soldering. Let them cool, or wear gloves."),
    ("Eye protection", "Wear it: flux spatters, and cut leads fly."),
    # HSE (UK), INDG248, solder fume; rosin is a respiratory sensitiser.
    ("Fume extraction", "Fume from rosin (colophony) flux can cause asthma for life and rashes on the skin. Work only "
                        "with the extraction on and close to the joint, and keep your head out of the plume."),
    # From memory, no source at hand: at iron temperatures lead enters by hand and mouth, not by its vapour.
    ("Lead", "If the solder holds lead: no food, drink or smoking here; wash your hands before breaks and at the end; "
             "keep tools and waste apart from the lead-free ones. Never mix the alloys on one joint."),
    # IEC 61340-5-1 and ANSI/ESD S20.20 in their current editions.
    ("Static electricity", "Wrist strap, grounded mat and grounded iron, as the site's programme asks "
                           "(IEC 61340-5-1, ANSI/ESD S20.20)."),
    ("Power", "The board must be without power, and its capacitors discharged."),
)

DEFERS = ("This sheet is a help, no instruction. The site's own work and safety instructions, the makers' data sheets "
          "and the current editions of the standards come first. Where they say something else, follow them. If you "
          "are not trained or not sure, stop and ask.")


def practice(finding: str) -> Practice:
    """Return what is usually done about a finding."""
    return PRACTICES[finding]


def sequence(findings: Iterable[str]) -> tuple[Practice, ...]:
    """Return what is usually done about all findings at one place, one thing after the other.

    Two ways to treat the joint itself would contradict each other ("solder anew", "take the surplus off"): only the
    most thorough one is left, with what is still to be heeded of the others at its end.
    """
    by_turn: dict[int, list[Practice]] = {}
    for name in dict.fromkeys(findings):
        by_turn.setdefault(practice(name).turn, []).append(practice(name))
    steps = []
    for turn in sorted(by_turn):
        most, *others = sorted(by_turn[turn], key=lambda item: -item.thorough)
        kept = [item.keeps for item in others if item.keeps and item.keeps not in most.steps]
        steps.append(replace(most, steps=" ".join([most.steps, *kept])))
    return tuple(steps)


def contact_s(findings: Iterable[str]) -> float:
    """Return the longest contact of the iron usually given for these findings, s; 0 where no iron is needed."""
    return min((practice(name).seconds for name in findings if practice(name).seconds), default=0.0)


def actions(part: str) -> list[str]:
    """Return the short names of what may be done at a joint or at a chip, each once, for a list to choose from."""
    names = [item.action for name, item in PRACTICES.items() if (name in CHIP_FINDINGS) == (part == "chip")]
    return [*dict.fromkeys(names), "part replaced", "other (see note)"]


assert PRACTICES.keys() == FINDING.keys()
