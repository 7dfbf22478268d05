"""Reads statements on loading from free text in English, German, French, Spanish and Italian.

Wording and abbreviations are common practice, no source. Words for load and posture are looked for first; then what
stands before and after each of them tells whether it is denied, in part, simulated, asked for or left open. A denial
holds where it stands right beside the word (``not fully weight-bearing``), words of ability (``unable``, ``cannot``,
``refused``) hold for the rest of their sentence. What is denied twice, or what denies something other than full load,
is unclear and never taken for loaded. *Weight-bearing as tolerated* tells how much load was allowed, not that the
foot carried all of it: it counts as partial.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator

from raysplay.infer.films.loading import Stated

_LONGEST = 10240
"""Characters that are read: the most a long text of DICOM holds (PS3.5, 6.2)."""


def _any(*patterns: str) -> str:
    return "(?:" + "|".join(" ".join(pattern.split("\n")) for pattern in patterns) + ")"


_BEARING = r"(?:(?:w(?:eigh|gh?)?ts?|wgt) ?(?:bea?r(?:ing|s)?|baring|brg)|wb(?:ing)?)"
_FULLY = _any(
    r"full(?:y)?|compl[ei]te?(?:ly|ment)?|total(?:ly|e|ement|mente)?|complet[oa]|entire(?:ly)?|whole",
    r"voll(?:e[rnms]?|standig\w*)?|ganz|plein(?:e)?|plen[oa]|pien[oa]|100 (?:%|percent|prozent)",
)

# Phrases that hold a word for load or posture but say nothing of the film.
_INNOCENT = _any(
    rf"(?:pain\w*|aches?|aching|sore\w*|discomfort|worse|hurts?|swelling|symptom\w*|tender\w*|limp\w*|antalgic)"
    rf" (?:on|when|with|while|during|upon|after|by|to) (?:[a-z]+ ){{0,2}}?(?:{_BEARING}|standing|sitting|stand)",
    rf"{_BEARING} (?:joints?|surfaces?|areas?|bones?|axis|axes|line|dome|zones?|regions?|portions?)",
    r"whole ?body(?: \()?(?: wb)?|wb (?:ct|mri?|pet|spect|(?:bone )?scans?|scintigraph\w*|count\w*|survey|dose)",
    r"(?:long|free|self) standing|standing (?:orders?|by|committees?|requests?|instructions?|agreements?)",
    r"(?:well|fully|properly|correctly) seated|seated (?:screws?|implants?|components?|stems?|prosthes\w*)",
    r"accident prone|prone to|decubitus (?:ulc\w*|sores?|wounds?|heels?)",
    r"lying (?:over|on top|within|between|along|below|above|beneath|under|at|across)|(?:low|high) lying",
    r"schmerz\w* (?:bei|unter|im|beim|nach) (?:[a-z]+ )?(?:belastung|stehen|stand|sitzen|liegen)",
    r"im stand by|douleurs? (?:a|en|lors) (?:de )?(?:l |la )?(?:mise )?(?:en )?(?:appui|charge|station debout)",
    r"dolor(?:e|es)? (?:a|al|alla|en|con|in|sotto) (?:la |el |il )?"
    r"(?:carga|apoyo|bipedestacion|carico|stazione eretta)",
    r"(?:prises?|pris|prendre|personnes?|medecins?) en charge|(?:pres[oa]|prendere) in carico|encargad[oa] de",
    r"(?:no|in|free of|without|extra) charges?|charge (?:nurse|code)",
    r"off ?loading (?:shoes?|boots?|insoles?)",
)
_SIMULATED = _any(
    r"belastungssimul\w+|sim ?wb|simulated weights?|pseudo ?belast\w+",
)
_PARTLY = _any(
    r"p ?wb|tt ?wb|td ?wb|wbat|h ?wb|teil ?belast\w*|halb ?belast\w*|sohlenkontakt|abrollbelastung",
    r"schmerz(?:adaptier|orientier|abhangig)\w* (?:voll ?)?belast\w*",
    rf"(?:toe|tip) ?touch(?:ing)?(?: {_BEARING})?|touch ?down {_BEARING}",
    rf"{_BEARING} as tolerated|bear\w* (?:only )?(?:some|little|minimal|partial|limited|reduced) weight",
    r"partial(?:ly)? load\w*|carico sfiorante|appui contact|demi charge|media carga|mezzo carico",
    rf"{_BEARING} (?:restrictions?|precautions?|limitations?)",
)
_UNLOADED = _any(
    r"n ?wb|non?(?:weight|wt) ?bea?r(?:ing)?|non?wb|notweight ?bearing|unweight\w*|unloaded|non ?load ?bearing",
    r"non?(?:standing|erect)|n w b|non w b",
    r"un ?belastet\w{0,2}|entlastet\w{0,2}|entlastung|off ?load(?:ed|ing)?|lastfrei|belastungsfrei|stehunfahig\w*",
    r"en decharge|hors (?:charge|appui)|en descarga|in scarico|fuori carico",
)
_AT_REST = _any(
    r"supine|prone|sitting|seated|recumbent|lying|decubitus|decubit[oi]|semi ?(?:erect|recumbent|upright|supine)",
    r"(?:on|in) (?:the |a )?(?:trolley|stretcher|gurney|bed)|bed ?bound",
    r"liegend\w{0,2}|im liegen|sitzend\w{0,2}|im sitzen|ruckenlage|bauchlage",
    r"couche?e?s?|allongee?s?|assise?s?|acostad[oa]|sentad[oa]|tumbad[oa]",
    r"supin[oa]|sedut[oa]|sdraiat[oa]|clinostatismo",
)
_STANDING = _any(
    r"standing|standg|stdg|stndg?|erect|stehend\w{0,2}|im stehen|im stand|(?:zwei|ein)beinstand",
    r"(?:steh|stand)aufnahmen?|debout|orthostatisme|bipedestacion|ortostatismo|ortostasi|ortostatic[oa]",
    r"in piedi|erett[oa]",
)
_LOADED = _any(
    _BEARING,
    rf"f ?wb|bear(?:s|ing)? (?:(?:any|{_FULLY}|her|his|their|own|the|body|much|enough|all|axial) ){{0,3}}weight",
    r"bore (?:full |body )?weight|load ?bearing|loaded (?:foot|feet|views?|position|films?)|(?:foot|feet) loaded",
    r"under (?:full )?(?:body )?(?:load|weight)",
    r"belastet\w{0,2}|(?:unter|mit|in) (?:voller |axialer |der )?(?:eigen|voll)?belastung",
    r"voll ?belast\w+|volle[rn]? belastung",
    r"(?:mise )?en (?:pleine )?charge|en appui|appui (?:complet|total|bipodal|monopodal)|charge complete",
    r"(?:en|con|bajo) (?:carga|apoyo)|(?:carga|apoyo) (?:complet[oa]|total)",
    r"(?:sotto|in|con) (?:il )?carico|carico (?:completo|totale)",
)
# These say nothing by themselves, but may be denied, simulated or in part.
_WEAK = _any(
    rf"{_BEARING} (?:status|instructions?|advice|orders?|protocols?)",
    r"stand(?:s|ing up)?|upright|stance|load(?:ing)?|stehen|stand|belast(?:ung|en|bar|ungsstabil|ungsaufnahmen?)",
    r"appui|appuie|appuyer",
    r"charge|carga|cargar|apoyo|apoyar|de pie|carico|caricare|tenir debout",
)
_KINDS = (
    ("innocent", _INNOCENT),
    ("simulated", _SIMULATED),
    ("partly", _PARTLY),
    ("unloaded", _UNLOADED),
    ("at_rest", _AT_REST),
    ("weak_first", rf"{_BEARING} (?:status|instructions?|advice|orders?|protocols?)"),
    ("loaded", _LOADED),
    ("standing", _STANDING),
    ("weak", _WEAK),
)
_MENTION = re.compile("|".join(rf"(?P<{name}>\b{pattern}(?![a-z0-9]))" for name, pattern in _KINDS))
_STATED = {
    "simulated": Stated.SIMULATED,
    "partly": Stated.PARTLY,
    "unloaded": Stated.UNLOADED,
    "at_rest": Stated.AT_REST,
    "loaded": Stated.LOADED,
    "standing": Stated.STANDING,
}

_DONE = _any(
    r"poss?ib\w*|able|feasible|done|perform\w*|obtain\w*|achiev\w*|attempt\w*|tol+er\w*|allow\w*|permi\w*|taken",
    r"acquired|advised|recommended|indicated|carried|applied|given|yet|safe|cleared|applicable|available",
    r"mo(?:e)?glich|erlaubt|gestattet|durchfu(?:e)?hrbar|zula(?:e)?ssig|machbar|gegeben|erfolgt",
    r"consenti\w*|autori[sz]\w*|concess\w*|prescri\w*|conseill\w*",
    r"reali[sz]\w*|faite?|fatt[oa]|fattibil\w*|effettua\w*|esegui\w*|effectue\w*|praticab\w*|hech[oa]|puede|puo",
)
_FILLER = _any(
    _FULLY,
    r"any|an?|the|longer|more|able|to|be|being|been|is|was|are|were|has|have|had|can|could|currently|yet|in|on|under|of|for|with",
    r"foot|feet|leg|left|right|both|actual\w*|real\w*|true|proper\w*|normal\w*|active\w*|direct\w*|patient|pt|ever",
    r"views?|films?|study|images?|allowed|permitted|possible|attempt\w*|tolerat\w*|allow\w*|permit\w*|her|his|their",
    r"der|die|das|den|dem|des|im|zur|zum|zu|es|auf|mit|unter|bei|fuss|fusse|wirklich|richtig\w*|axiale?[rn]?",
    r"en|de|d|du|di|del|della|con|sotto|a|al|la|le|l|el|il|lo|un|une|una|uno|mise|mettre|position|posizione|posicion",
    r"possibil[ei]|posible|sur|sul|permis\w*|autori[sz]\w*|ponerse|mantenerse|stare|tenersi|puo|puede|se|si|te?nir",
)
_NOT = _any(
    r"not|no|non|un|nil|never|neither|nor|without|w o|pre|isnt|wasnt|arent|werent|dont|doesnt|didnt|avoid\w*",
    r"before|prior to|until|instead of|rather than|lack of|absence of",
    r"kein\w{0,2}|nicht|ohne|vor|statt|anstatt|sans|pas|ni|avant|aucune?|sin|ningun[oa]?|antes de|hasta",
    r"senza|nessun[oa]?|prima d(?:i|el|ella)",
)
_UNABLE = _any(
    r"can ?not|cant|could ?not|couldnt|can no longer|wont|will not|would not|wouldnt|must ?not|mustnt|may not",
    r"should not|shouldnt|unable|inability|incapable|(?:not|no longer|never) (?:[a-z]+ )?(?:able|capable|allowed"
    r"|permitted|tolerat\w+|cleared|fit|safe|possible|suitable|ready|supposed|manag\w+)",
    r"refus\w+|declin\w+|impossib\w+|contraindicat\w+|forbid\w*|prohibit\w*|fail\w* to",
    r"too (?:painful|weak|sore|unwell)",
    r"nicht in der lage|nicht imstande|ausserstande|nicht fahig|unfahig|unmo(?:e)?glich|verweiger\w*|abgelehnt",
    r"verbot\w*|untersagt|ne (?:[a-z]+ ){1,3}pas|incapables?|interdi\w*|n arrive pas|ne peut",
    r"no (?:se )?(?:puede|pudo|logra|consigue|tolera|es capaz)|incapaz|imposib\w*|prohib\w*|rechaz\w*|impedid\w*",
    r"non (?:puo|riesce|e in grado|in grado|tollera|riusciva|poteva|e possibile)|incapace|vietat\w*|rifiut\w*",
)
_PART = _any(
    r"partial\w*|partly|part|limited|reduced|restricted|protected|touch(?: ?down)?|toe(?: ?touch(?:ing)?)?|tip ?toe",
    r"heel|forefoot|feather|half|semi|quasi|incomplete\w*|minimal\w*|barely|hardly|attempt\w*",
    r"difficult\w*(?: in| with)?",
    r"progressive|graduated|gradual|assisted|aided|supported|trouble|struggl\w*|scarcely|not (?:quite|entirely)",
    r"teil(?:weise[rn]?|s)?|reduziert\w{0,2}|eingeschra(?:e)?nkt\w{0,2}|schmerz(?:adaptier|orientier)\w*|halb\w{0,2}",
    r"partiel\w*|parci?al\w*|parzial\w*|incomplet[oa]|demi|medi[oa]|ridott[oa]|reducid[oa]|reduite?",
)
_AMOUNT = r"(?!100 )\d+ (?:kg|lbs?|pounds?|%|percent|prozent|pour cent|por ciento|per cento)"
_SIMULATION = r"(?:simul\w*|pseudo|mock|mimic\w*|sham|artificial\w*)"
_TOLERATED = _any(
    r"as (?:much as )?(?:tolerated|able|possible|pain allows|comfort allows)|to tolerance",
    r"within (?:the )?(?:limits of )?pain",
    r"nach massgabe\w*|schmerz(?:adaptier|orientier|abhangig)\w*|selon (?:la )?(?:douleur|tolerance)",
    r"segun (?:la )?(?:tolerancia|dolor)|(?:secondo|a) tolleranza|on (?:the )?(?:heels?|toes|tip ?toes)",
    r"on (?:the )?(?:left|right)(?: foot| leg| side)? only|poorly",
    r"with (?:an? )?(?:crutch(?:es)?|walker|zimmer|frame|support|assistance|help|aids?|cane|stick)s?",
    r"(?:mit|an) (?:unterarm)?(?:geh)?(?:stutzen|hilfen?)|avec (?:des )?(?:cannes?|bequilles?)",
    r"con (?:muletas?|andador|stampelle)",
)
_SUBJECT = _any(
    r"views?|films?|images?|x ?rays?|radiographs?|position|exam\w*|study|series|foot|feet|leg|side|left|right|both",
    r"status",
    r"is|was|were|are|be|being|been|has|had|have|currently|presently|today|now|at (?:present|this time)|still|only",
    r"ist|war|waren|sind|wurde|wird|derzeit|aktuell|zur zeit|momentan|leider|noch",
    r"est|etait|es|fue|era|e|stat[oa]|actuellement|actualmente|attualmente|se",
)
_JOINED = "foot|feet|fuss|ap|dp|pa|lat|obl|left|right"
_END = r"(?= *(?:$|[.,?|()/:]))"
_LEADS = r"(?: *[:?,|()/])* *"

_OWN = re.compile(
    "|".join(
        rf"\b(?:{pattern})(?![a-z0-9])"
        for pattern in (*(pattern for _, pattern in _KINDS), _UNABLE, _NOT, _SIMULATION, _PART, _AMOUNT, _TOLERATED)
    )
)
_BESIDE = re.compile(rf"\b(?:{_DONE}|{_FILLER}|{_SUBJECT})(?![a-z0-9])")

_DENIED_BEFORE = re.compile(rf"\b{_NOT}(?: \))?(?P<between>(?: {_FILLER}(?![a-z0-9])){{0,5}}) *$")
_UNABLE_BEFORE = re.compile(rf"\b{_UNABLE}(?![a-z0-9])(?P<between>(?: [a-z0-9%]+| [,()]){{0,9}}?) *$")
_PART_BEFORE = re.compile(
    rf"(?<![a-z0-9])(?:{_PART}|{_AMOUNT}(?: of)?(?: body ?weight)?)(?: \))?(?: {_FILLER}(?![a-z0-9])){{0,3}} *$"
)
_SIMULATED_BEFORE = re.compile(rf"\b{_SIMULATION}(?: \))?(?: (?:{_FILLER}|{_PART}|einer?)(?![a-z0-9])){{0,3}} *$")
_SUBJECTS = rf"(?: {_SUBJECT}(?![a-z0-9])){{0,5}}"
_OPEN_AFTER = re.compile(
    rf"{_SUBJECTS}{_LEADS}"
    + _any(
        r"(?:status )?(?:unknown|unclear|uncertain|undocumented|unspecified|unbekannt|unklar|inconnue?)",
        r"desconocid[oa]|sconosciut[oa]|n a",
        r"(?:not|nicht|non|no|pas) (?:known|stated|documented|specified|recorded|mentioned|angegeben|bekannt)",
        r"(?:non|no|pas) (?:precise\w*|connue?|indicat[oa]|indicad[oa]|especificad[oa]|not[oa])",
        r"or (?:not|non)",
    )
    + r"(?![a-z0-9])"
)
_WISHED_AFTER = re.compile(
    rf"{_SUBJECTS}{_LEADS}(?:(?:if|wenn|falls|si|se) (?:es )?"
    rf"(?:able|poss|tolerated|can|mo(?:e)?glich|poss?ib[a-z]*)|requested|ordered|desired|please|erbeten|gewunscht"
    rf"|angefordert|demandee?s?|solicitad[oa]s?|richiest[oa])(?![a-z0-9])"
)
_SIMULATED_AFTER = re.compile(rf"{_SUBJECTS}{_LEADS}{_SIMULATION}(?![a-z0-9])")
_PART_AFTER = re.compile(
    rf"{_SUBJECTS}{_LEADS}(?:(?:with|mit|avec|con|up to|bis|max\w*|of|at|von|a|de|di|only|nur|hochstens) ?)*"
    rf"(?:{_PART}|{_TOLERATED})(?![a-z0-9])"
)
_AMOUNT_AFTER = re.compile(
    rf"{_SUBJECTS}(?: [:(])?(?: (?:with|mit|avec|con|up to|bis|max\w*|of|at|von|a|de|di|only|nur|hochstens|zu)){{0,3}}"
    rf" {_AMOUNT}"
)
_DENIED_AFTER = re.compile(
    rf"{_SUBJECTS}(?:"
    rf" (?:not|nicht|pas|isnt|wasnt|never|no longer)(?! only)(?![a-z0-9])"
    rf"|{_LEADS}(?:no|non|not|nicht|pas|nein|none|nil|n|negative)(?: es| e| est| ist| is| was| se)?"
    rf"(?: {_DONE}(?![a-z0-9])|{_END})"
    rf"|{_LEADS}(?:impossib\w*|unmo(?:e)?glich\w*|imposib\w*|refus\w+|declined|contraindicated|prohibited|forbidden"
    rf"|verboten|untersagt|abgelehnt|verweigert|interdite?s?|prohibid[oa]|vietat[oa]|rifiutat[oa]|deferred|omitted"
    rf"|avoided|failed|unfeasible|infeasible|unsafe|entfallt|entfiel)(?![a-z0-9])"
    rf"|{_LEADS}(?:unable|can ?not|cant|could ?not|couldnt)"
    rf"(?: (?:to )?(?:be|do|obtain|perform|comply|tolerate|achieve|manage)(?![a-z0-9])|{_END})"
    rf"|(?: [a-z0-9]+| [,.|()]){{0,8}} (?:patient|pt|pat|he|she|they)(?: is| was)? (?:unable|not able|incapable){_END}"
    rf")"
)
_ASKED_AFTER = re.compile(rf"{_SUBJECTS} *\?(?! *(?:yes|y|ja|oui|si|true|done)(?![a-z0-9]))")
_ANOTHER = re.compile(rf" *(?:not|nicht|pas|never) (?:{'|'.join(pattern for _, pattern in _KINDS[1:])})")
_ALTERNATIVE = re.compile(r"^ *(?:or|nor|oder|ou|ni|o)? *$")


def stated_in(text: str) -> Iterator[Stated]:
    """Every statement on loading in a free text, in its order."""
    plain = normal(text)
    previous: re.Match[str] | None = None
    denied = False
    for mention in _MENTION.finditer(plain):
        kind = mention.lastgroup or ""
        if kind == "innocent":
            previous, denied = None, False
            continue
        inherits = denied and previous is not None and bool(_ALTERNATIVE.match(plain[previous.end() : mention.start()]))
        found, denied = _judge(kind, mention, plain, inherits)
        previous = mention
        if found is not None:
            yield found


def beside(text: str) -> tuple[str, ...]:
    """The words of a text that have no part in a statement on loading; of single letters all that are in none."""
    rest = _OWN.sub(" . ", normal(text))
    letters = re.findall(r"(?<![a-z0-9])[a-z](?![a-z0-9])", rest)
    return (*letters, *(word for word in re.findall(r"[a-z0-9]{2,}", _BESIDE.sub(" ", rest))))


def _judge(kind: str, mention: re.Match[str], plain: str, inherits: bool) -> tuple[Stated | None, bool]:
    """What one mention states, and whether it was denied by words before it."""
    sentence = re.split(r"[.?|]", plain[: mention.start()])[-1][-200:]
    clause = re.split(r"[,:/]", sentence)[-1]
    after = plain[mention.end() :]
    asserted = _STATED.get(kind)
    beyond = clause
    if asserted in (Stated.LOADED, Stated.STANDING, None):
        for pattern, qualified in ((_SIMULATED_BEFORE, Stated.SIMULATED), (_PART_BEFORE, Stated.PARTLY)):
            if qualifier := pattern.search(clause):
                asserted, beyond = qualified, clause[: qualifier.start()]
                break
    # What is done in the place of standing is told after a comma: "unable to stand, taken sitting".
    reach = clause if asserted in (Stated.UNLOADED, Stated.AT_REST) else sentence
    near, far = _DENIED_BEFORE.search(beyond), _UNABLE_BEFORE.search(reach)
    if near or far or inherits:
        if near and not far and _DENIED_BEFORE.search(beyond[: near.start()]):
            return Stated.UNCLEAR, False
        between = " ".join(one["between"] for one in (near, far) if one)
        return _denied(asserted, fully=_says_fully(f"{between} {mention.group()}"), unable=bool(far)), True
    if _OPEN_AFTER.match(after):
        return None, False
    if asserted in (Stated.LOADED, Stated.STANDING, None):
        if _SIMULATED_AFTER.match(after):
            return Stated.SIMULATED, False
        if _DENIED_AFTER.match(after) and not _ANOTHER.match(after):
            return _denied(asserted, fully=_says_fully(f"{clause[-12:]}{mention.group()}"), unable=True), False
        if _PART_AFTER.match(after) or (kind != "standing" and _AMOUNT_AFTER.match(after)):
            return Stated.PARTLY, False
        if _ASKED_AFTER.match(after) or _WISHED_AFTER.match(after):
            return None, False
    elif _DENIED_AFTER.match(after) and not _ANOTHER.match(after):
        return _denied(asserted, fully=False, unable=asserted is not Stated.UNLOADED), False
    return asserted, False


def _denied(asserted: Stated | None, *, fully: bool, unable: bool) -> Stated:
    if asserted in (Stated.LOADED, Stated.STANDING, None):
        return Stated.PARTLY if fully else Stated.UNLOADED
    if asserted in (Stated.PARTLY, Stated.SIMULATED) and unable:
        return Stated.UNLOADED
    return Stated.UNCLEAR


def _says_fully(words: str) -> bool:
    return re.search(rf"(?<![a-z0-9])(?:{_FULLY}|fwb|voll\w*)(?![a-z0-9])", words) is not None


def normal(text: str) -> str:
    """Text in plain small letters, words apart by one space, breaks as ``. ? | , : / ( )`` of their own."""
    text = text[:_LONGEST].replace("_", " ")
    text = re.sub(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z]{2})", " ", text)
    plain = unicodedata.normalize("NFKD", text.casefold())
    plain = "".join(c for c in plain if not unicodedata.combining(c))
    plain = re.sub(r"n['’`´]t\b", "nt", plain)
    plain = re.sub(r"\b(?:[a-z]\.){2,}[a-z]?\b\.?|\b(?:[a-z]\.){1,4}[a-z]\b\.?", lambda m: m[0].replace(".", ""), plain)
    plain = re.sub(r"\b(w[a-z]?t)\.", r"\1 ", plain)
    plain = re.sub(r"\bo\. ?(?=belast)", "ohne ", re.sub(r"\bm\. ?(?=belast)", "mit ", plain))
    plain = re.sub(r"\bw/b\b", "wb", re.sub(r"\bw/o\b", "without", plain))
    plain = re.sub(r"\b(non|not|un|semi|partial|part|pre|toe|touch|weight|w)\s*[-‐‑–—/]+\s*", r"\1 ", plain)
    plain = re.sub(r"\s[-‐‑–—]+\s", " | ", plain)
    plain = re.sub(r"(?<=\d)[.,](?=\d)", "", plain)
    plain = re.sub(r"\b(?:but|however|although|aber|jedoch|sondern|mais|pero|sino|ma)\b", " . ", plain)
    plain = re.sub(r"[.;!]", " . ", plain)
    plain = re.sub(r"[,\r\n\t]", " , ", plain)
    plain = re.sub(r"[:=]", " : ", plain)
    plain = re.sub(r"[(\[{]", " ( ", re.sub(r"[)\]}]", " ) ", plain))
    plain = re.sub(r"[/+&\\]", " / ", plain)
    plain = re.sub(r"\?", " ? ", plain)
    plain = re.sub(r"(?<=[a-z])(?=\d)|(?<=\d)(?=[a-z])", " ", plain)
    plain = re.sub(rf"\b({_JOINED})(?=(?:non|n|p|f)?(?:wb|w(?:eigh)?t ?bear))|(?<=wb|ng)(?={_JOINED}\b)", r"\1 ", plain)
    plain = re.sub(r"%", " % ", plain)
    return " ".join(re.sub(r"[^a-z0-9%.?|,:/() ]", " ", plain).split())
