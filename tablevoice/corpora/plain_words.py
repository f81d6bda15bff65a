"""Plain words by kind, to choose commands from: colours, fruit, tools, numbers and so on.

Written for this, every word in the recogniser's dictionary. Called by the choice of words.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from types import MappingProxyType

_WORDS = MappingProxyType(
    {
        "colours": (
            "amber apricot auburn azure beige black blue bronze brown burgundy cobalt copper coral "
            "cream crimson cyan ebony emerald fawn gold golden green grey hazel indigo "
            "ivory jade khaki lavender lemon lilac lime magenta mahogany maroon mauve mustard navy "
            "ochre olive orange peach pink plum purple red rose ruby rust saffron salmon sapphire "
            "scarlet silver tan teal tomato turquoise vanilla violet white yellow"
        ),
        "numbers": (
            "zero one two three four five six seven eight nine ten eleven twelve thirteen twenty "
            "thirty fifty hundred"
        ),
        "directions": (
            "left right up down forward backward north south east west inside outside above below "
            "corner middle center top bottom front behind"
        ),
        "actions": (
            "begin cancel carry change clear close continue enough finish freeze go halt hold home "
            "lift lower move next open pause place ready repeat reset return slower start stop "
            "switch take turn wait again another undo help skip"
        ),
        "answers": (
            "yes no yeah nope maybe correct wrong right okay agreed never absolutely negative "
            "affirmative"
        ),
        "fruit": (
            "apple apricot avocado banana blackberry blueberry cherry coconut cranberry fig grape "
            "grapefruit kiwi lemon lime mango melon olive orange papaya peach pear "
            "pineapple plum pomegranate raspberry strawberry tangerine walnut"
        ),
        "trees": (
            "alder ash aspen bamboo beech birch briar cedar chestnut cypress elm fir hazel "
            "hickory holly juniper larch laurel linden magnolia maple oak olive palm pine poplar "
            "redwood spruce sycamore walnut willow yew"
        ),
        "animals": (
            "badger bear beaver buffalo camel canary cat chicken cow crocodile deer dog dolphin "
            "donkey eagle elephant falcon ferret fox giraffe goat hamster hedgehog heron horse "
            "kangaroo leopard lion lizard monkey mouse octopus otter owl panda parrot penguin pig "
            "pigeon rabbit raven salmon sheep snail spider squirrel swan tiger tortoise turtle "
            "walrus whale wolf zebra"
        ),
        "materials": (
            "aluminum brass bronze canvas cardboard carbon cement ceramic clay copper cotton "
            "fabric felt foam glass gravel iron leather linen marble nickel nylon paper plaster "
            "plastic plywood porcelain rubber sand silk silver steel stone velvet wood wool zinc"
        ),
        "tools": (
            "anvil axe bracket broom brush bucket chisel clamp crowbar drill file hammer hinge "
            "ladder lever mallet nail needle pliers pulley ratchet ruler saw scissors screwdriver "
            "shovel spanner stapler tape trowel washer wrench"
        ),
        "shapes": (
            "arrow ball circle cone crescent cross cube cylinder diamond hexagon heart oval "
            "octagon pentagon pyramid rectangle ring sphere spiral square star triangle"
        ),
        "weather": (
            "blizzard breeze cloud drizzle fog frost hail hurricane lightning mist rain rainbow "
            "snow storm sunshine thunder tornado wind"
        ),
        "food": (
            "bacon barley biscuit bread butter cabbage carrot cheese chocolate cinnamon coffee "
            "cookie cucumber garlic ginger honey ketchup lettuce mushroom noodle oatmeal omelet "
            "onion pancake parsley pasta pepper pickle potato pumpkin rice salad sandwich sausage "
            "spinach sugar tea toast turnip vinegar waffle"
        ),
        "spelling": (
            "alpha bravo charlie delta echo foxtrot golf hotel india juliet kilo lima mike "
            "november oscar papa quebec romeo sierra tango uniform victor whiskey yankee zulu"
        ),
    }
)

KINDS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {kind: tuple(words.split()) for kind, words in _WORDS.items()}
)


def kinds_of(words: Collection[str]) -> list[str]:
    """The kinds that hold the most of ``words``, each word's best first; empty where none does."""
    counts = {kind: len(set(words) & set(members)) for kind, members in KINDS.items()}
    held = [kind for kind, count in counts.items() if count]
    return sorted(held, key=lambda kind: (-counts[kind], kind))


def same_kind(word: str, beside: Collection[str]) -> tuple[str, ...]:
    """Words of the kind of ``word``; of several kinds the one that holds most of ``beside``.

    A single letter is spelt with a word of the spelling alphabet. Words of every kind where
    none holds it.
    """
    if len(word) == 1:
        return KINDS["spelling"]
    for kind in kinds_of(beside):
        if word in KINDS[kind]:
            return KINDS[kind]
    return tuple(dict.fromkeys(w for members in KINDS.values() for w in members))
