"""What a seed catalogue lists is found, or answered with its neighbour."""

from __future__ import annotations

import pytest

from scheduler.garden.crops import CropBook

# Common knowledge, no source: the vegetables and herbs that a catalogue of garden seed lists, in its
# spelling; beside each the crop of the table that is right for it.
CATALOGUE = {
    "Artichokes": "artichoke", "Arugula": "arugula", "Asparagus": "asparagus", "Basil": "leafy herb",
    "Beans, Bush": "bush bean", "Beans, Pole": "pole bean", "Beans, Dry": "dry bean",
    "Beans, Lima": "lima bean", "Beans, Fava": "faba bean", "Soybeans": "soybean", "Edamame": "soybean",
    "Yardlong Beans": "cowpea", "Beets": "beet", "Bok Choy": "bok choy", "Broccoli": "broccoli",
    "Broccoli Raab": "broccoli raab", "Brussels Sprouts": "brussels sprouts", "Cabbage": "cabbage",
    "Chinese Cabbage": "chinese cabbage", "Cantaloupes": "cantaloupe", "Cardoon": "cardoon",
    "Carrots": "carrot", "Cauliflower": "cauliflower", "Celeriac": "celeriac", "Celery": "celery",
    "Swiss Chard": "swiss chard", "Chervil": "chervil", "Chicory": "chicory", "Chives": "chives",
    "Cilantro": "leafy herb", "Collards": "kale", "Corn, Sweet": "sweet corn", "Popcorn": "popcorn",
    "Mache": "corn salad", "Cowpeas": "cowpea", "Cress": "cress", "Cucumbers": "cucumber",
    "Daikon": "daikon", "Dandelion": "dandelion", "Dill": "leafy herb", "Eggplant": "eggplant",
    "Endive": "endive", "Escarole": "endive", "Fennel": "fennel", "Garlic": "garlic", "Gourds": "gourd",
    "Ground Cherries": "ground cherry", "Honeydew": "sweet melon", "Hot Peppers": "pepper",
    "Horseradish": "horseradish", "Kale": "kale", "Kohlrabi": "kohlrabi", "Leeks": "leek",
    "Lemon Balm": "lemon balm", "Lettuce": "lettuce", "Marjoram": "oregano", "Melons": "sweet melon",
    "Mint": "mint", "Mizuna": "mustard greens", "Mustard Greens": "mustard greens", "Okra": "okra",
    "Onions": "onion", "Oregano": "oregano", "Parsley": "leafy herb", "Parsnips": "parsnip", "Peas": "pea",
    "Snap Peas": "pea", "Peanuts": "peanut", "Peppers": "pepper", "Potatoes": "potato",
    "Pumpkins": "winter squash", "Radicchio": "chicory", "Radishes": "radish", "Rhubarb": "rhubarb",
    "Rosemary": "rosemary", "Rutabagas": "turnip", "Sage": "sage", "Salsify": "salsify",
    "Scallions": "green onion", "Shallots": "shallot", "Sorrel": "sorrel", "Spinach": "spinach",
    "Squash, Summer": "summer squash", "Squash, Winter": "winter squash", "Sweet Potatoes": "sweet potato",
    "Thyme": "thyme", "Tomatillos": "tomatillo", "Tomatoes": "tomato", "Turnips": "turnip",
    "Watermelons": "watermelon",
}  # fmt: skip
BOOK = CropBook(None, "us")


def test_at_least_85_of_90_are_found_or_answered_with_the_right_neighbour() -> None:
    assert len(CATALOGUE) == 90
    missed = {}
    for name, crop in CATALOGUE.items():
        answered = (
            [BOOK.find(name)] if BOOK.find(name) else [BOOK.find(near) for near in BOOK.neighbours(name)]
        )
        if crop not in answered:
            missed[name] = answered
    assert len(missed) <= 5, missed
    assert sum(BOOK.find(name) is not None for name in CATALOGUE) >= 85


def test_every_crop_of_the_catalogue_has_figures() -> None:
    for name in set(CATALOGUE.values()):
        crop = BOOK.crop(name)
        assert 0 < crop.kc_ini <= crop.kc_mid <= 1.2
        assert sum(crop.stage_days) >= 35


@pytest.mark.parametrize(
    ("word", "near"),
    [
        ("squash", ["summer squash", "winter squash"]), ("tomatto", ["tomato"]), ("watercress", ["cress"]),
        ("xyzzy", []), ("mizuno", ["mizuna"]), ("bean", ["bush bean", "pole bean", "dry bean"]),
    ],
)  # fmt: skip
def test_neighbours_of_what_nobody_knows(word: str, near: list[str]) -> None:
    assert BOOK.find(word) is None
    assert BOOK.neighbours(word)[: len(near) or 1] == near


@pytest.mark.parametrize("word", ["bush beans", "Beans, bush", "BUSH-BEAN", "bush  bean", "Bush bean's"])
def test_spellings_of_one_crop(word: str) -> None:
    assert BOOK.find(word) == "bush bean"


def test_no_plural_or_turned_word_hides_a_crop() -> None:
    for name in BOOK.names():
        assert BOOK.find(name) == name
        assert BOOK.find(name.upper()) == name
