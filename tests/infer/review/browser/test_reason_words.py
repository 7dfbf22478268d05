"""What the page makes of reasons and remarks: by their kind, never by how a sentence begins."""

import pytest

from raysplay.infer.decide.wording import level_words

pytest.importorskip("playwright.sync_api", reason="NO PLAYWRIGHT: the review page was not tested")

ASK = """
async (said) => {
  const { reasonWords } = await import("/page/modules/reason_words.js");
  return said.map(([kind, text]) => reasonWords({ kind, text }));
}
"""
LEVEL = """
async (levels) => {
  const { levelWords } = await import("/page/modules/words.js");
  return levels.map(levelWords);
}
"""
SAID = {
    ("no_foot_found", "no foot found"): "No foot was found on this film",
    ("no_foot", "no foot: score 0.10"): "Hardly a foot: 10 % sure that it is one",
    ("foot_doubtful", "foot doubtful: score 0.41"): "foot doubtful: 41 % sure that it is one",
    ("side_doubtful", "side doubtful: R at 0.62"): "side doubtful: right, 62 % sure",
    (
        "side_conflict",
        "side conflict: the file says L, the anatomy says R",
    ): "side conflict: the file says left, the anatomy says right",
    (
        "side_repeated",
        "side repeated: more than one foot on this film reads as L",
    ): "side repeated: more than one foot on this film reads as left",
    (
        "side_letter_conflict",
        "side letter conflict: the letter on the film says L, the anatomy and the file say R",
    ): "side letter conflict: the letter on the film says left, the anatomy and the file say right",
    ("side_letter", "side letter R, mirrored, at column 40, row 50 (0.98)"): (
        "side letter R, mirrored, at column 40, row 50 (98 % sure)"
    ),
    (
        "truncated",
        "unreadable: truncated: 25 of 100 bytes of pixel data",
    ): "This file cannot be read: it is cut off, 25 % of the picture is there",
    ("unreadable", "unreadable: empty file"): "This file cannot be read: empty file",
    ("out_of_memory", "unreadable: too much"): "This file cannot be read: too much",
    (
        "unlike_training",
        "unlike training films: strangeness 5.2, usual 1, limit 4.5",
    ): "unlike the films that the model learned from: 5.2 times as strange as is usual",
    (
        "window_guessed",
        "no window stated: window set by percentiles",
    ): "the file says nothing usable of its grey values: what is shown was chosen from the picture",
    ("file_remark", "remark on the file: a: b"): "the file: a: b",
    (
        "loading_unknown",
        "loading unknown: nothing in the file says weight-bearing",
    ): "the file does not say whether the foot bears weight",
    ("duplicate", "duplicate: same file as a.dcm"): "A copy: the same file as a.dcm",
    ("internal_error", "not read: internal error (KeyError)"): "not read: internal error",
    ("not_dorsoplantar", "not a dorsoplantar view: looks lateral (0.99)"): (
        "not a dorsoplantar view: looks lateral (99 % sure)"
    ),
    (
        "view_doubtful",
        "view doubtful: dorsoplantar 0.61, oblique 0.39",
    ): "view doubtful: dorsoplantar 61 %, oblique 39 %",
    # A kind that the page does not know, and words of one kind under another.
    ("of_a_later_version", "no foot found"): "no foot found",
    ("metal", "duplicate: same file as a.dcm"): "duplicate: same file as a.dcm",
    ("side_doubtful", "another sentence"): "another sentence",
}


def test_reasons_are_worded_by_their_kind(harbour_page):
    page = harbour_page.reader.page
    assert page.evaluate(ASK, [list(one) for one in SAID]) == list(SAID.values())


def test_the_level_of_intervals_is_told_as_the_pictures_tell_it(serve, harbour, enter):
    page = enter(serve(harbour), "AB").page
    levels = [0.8, 0.9, 0.95, 0.57, 0.683, 0.9545, 0.999, 0.999937, 0.9999999]
    assert page.evaluate(LEVEL, levels) == [level_words(level) for level in levels]
