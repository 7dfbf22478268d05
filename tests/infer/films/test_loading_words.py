"""Phrases on loading and what they say. Common practice, no source; the phrases are ours.

Abbreviations as they are used in physiotherapy: WB weight-bearing, NWB non, PWB partial, FWB full, TTWB toe-touch,
TDWB touch-down, WBAT as tolerated.
"""

from __future__ import annotations

import subprocess
import sys

import pytest

from raysplay.infer.films.loading import Loading, Stated, settle
from raysplay.infer.films.loading_words import beside, stated_in

FULL = """
Foot 3v WB Bilat
XR FOOT WEIGHTBEARING 3V LEFT
DX FOOT STANDING COMPLETE 3 VIEWS
Vorfuß bds. dp im Stehen belastet
Fuss m. Belastung
Pieds F+P en charge
pas de fracture, en charge
keine Fraktur belastet
senza fratture, sotto carico
sin fractura, en carga
No previous for comparison, weight bearing
non-union, standing
before surgery, weight bearing
Patient's weight is 80 kg, standing
standing, 80 kg
WT BRG
piedi in ortostasi sotto carico
Foot DP weight-bearing
FOOT WB
Fuss dp stehend
pied en charge
STANDING FEET
W.B. L
Feet AP weightbearing
FootWeightBearingDP
FEET_WB_DP
WT BEARING FOOT
Foot wgt-bearing
FWB foot
full weight bearing
fully weight bearing
weight bearing: yes
weight bearing? yes
Patient bears full weight on both feet
bearing her full body weight
Standing DP both feet
feet erect
Left foot, standing
No fracture. Standing film.
No fracture, standing
Standing, no pain
WB foot, no fracture
100 % weight bearing
Not only standing
Vorfuss dp belastet
Fuss unter Belastung
Fuß im Stehen
Fuß im Stand
Fuss Vollbelastung
Einbeinstand
Stehaufnahme Fuss
mit Belastung
pied en charge complète
pieds debout
avant-pied en appui
mise en charge
Pie en carga
pies con carga
bipedestación
pie dcho en apoyo
piede sotto carico
piede in carico
ortostatismo
avampiede in piedi
load-bearing view of foot
"""

PARTIAL = """
patient could only partially weight bear
full weight bearing not possible
Vollbelastung nicht erlaubt
carga completa no tolerada
WB as much as possible
standing with crutches
patient weight bearing on left only
hardly any weight bearing
appuie partiellement
partial weight bearing
partially weight-bearing
Partial WB
PWB
TTWB
TTWB left
TDWB right foot
toe-touch weight bearing
toe touch
touch-down weight bearing
weight bearing as tolerated
WBAT
WB as tolerated
not fully weight bearing
not full weight-bearing
unable to fully weight bear
incomplete weight bearing
weight bearing (partial)
WB: partial
WB - partial only
weight bearing 20 kg
20 kg weight bearing
50% weight bearing
weight bearing with 20kg only
protected weight bearing
limited weight bearing
heel weight bearing
weight bearing on heel
Standing, partial weight bearing
weight bearing restrictions apply
attempted weight bearing
difficulty bearing weight
teilbelastet
Teilbelastung
Teilbelastung 20 kg
Fuss teilweise belastet
Belastung mit 20 kg
nicht voll belastet
nicht voll belastbar
keine Vollbelastung
Sohlenkontakt
schmerzadaptierte Vollbelastung
appui partiel
mise en charge partielle
charge partielle
appui selon tolérance
demi-charge
carga parcial
apoyo parcial
en carga parcial
carico parziale
in carico parziale
carico sfiorante
bears only partial weight
"""

SIMULATED = """
simulated weight bearing
Simulated WB foot
weight bearing (simulated)
WB simulated
simulated partial weight bearing
pseudo weight-bearing
simulated weight bearing, supine
simulierte Belastung
Belastung simuliert
Belastungssimulation
charge simulée
appui simulé
simulation de la mise en charge
carga simulada
simulación de carga
carico simulato
simulazione del carico
mimicking weight bearing
"""

NONE = """
Pt unable to WB
Pt. unable to stand, taken sitting
FOOT COMPLETE NON-WEIGHTBEARING
non weight bearing performed as patient unable to stand
weight bearing views requested, patient unable
Not a weight bearing view
nonstanding
foot non-wt. bearing
NON-WT-BRG
N W B
failed to weight bear
Fuss o. Belastung
stehend nicht möglich
liegend, da Stehen nicht möglich
nicht belastungsstabil
ne supporte pas l'appui
Pied non en charge
until further notice no weight bearing
Foot non weight bearing
NWB foot
N.W.B.
non-WB
non WB
NON-WEIGHT-BEARING
Non - weight bearing
nonweightbearing
FootNWB
NonWeightBearing foot
no weight bearing
not weight-bearing
not WB
without weight bearing
w/o weight bearing
unable to weight bear
unable to bear weight
Patient is unable to stand
cannot bear weight
can't bear weight
can not stand
could not stand for the film
cannot, due to pain, bear weight
not able to weight bear
not able to stand
no longer able to weight bear
patient was not able, because of pain, to stand
refused to stand
refuses weight bearing
weightbearing not possible
weight bearing impossible
weight bearing view could not be obtained
weight bearing films not done
Weight bearing: no
Weight bearing? No
WB: N
WB - no
standing not tolerated
standing views not possible
standing declined
weight bearing contraindicated
weight bearing not allowed
inability to weight bear
bear no weight: not bearing weight
neither standing nor weight bearing
not standing or weight bearing
avoid weight bearing
before weight bearing
not yet weight bearing
never weight bearing since the fall
Foot supine
seated foot
taken sitting
recumbent
patient lying on trolley
foot on stretcher
lateral decubitus
semi-erect
unloaded foot
unweighted
offloaded
Fuss unbelastet
unbelasteter Fuß
ohne Belastung
nicht belastet
nicht belastbar
Belastung nicht möglich
Belastung nicht moeglich
Belastung unmöglich
keine Belastung
Belastungsaufnahme nicht möglich
Patient kann nicht stehen
Pat. kann leider nicht auf dem Fuß stehen
Stehen nicht möglich
kann den Fuss nicht belasten
Entlastung
im Liegen
Fuß liegend
im Sitzen
sans appui
pas d'appui
sans charge
sans mise en charge
hors charge
en décharge
appui impossible
ne peut pas tenir debout
incapable de se tenir debout
appui interdit
mise en charge non autorisée
en position couchée
patient assis
sin carga
sin apoyo
no carga
en descarga
carga no permitida
no puede ponerse de pie
incapaz de cargar
decúbito supino
sentado
senza carico
non in carico
fuori carico
in scarico
carico non consentito
non può caricare
non riesce a stare in piedi
paziente supino
seduto
"""

CONTRADICTORY = """
requested standing but performed supine
weight bearing left, non weight bearing right
not weight bearing? no - standing
WB and NWB
WB/NWB
weight bearing and non weight bearing
standing, unable to bear weight on the left
standing not weight bearing
sitting weight bearing
seated WB
standing/sitting
not non weight bearing
no longer non-weight-bearing
not partial weight bearing
not simulated weight bearing
NWB: no
left WB, right NWB
simulated weight bearing, then standing
belastet und unbelastet
stehend, nicht belastet
en charge et sans charge
con carga y sin carga
sotto carico e senza carico
partial weight bearing; full weight bearing
"""

UNKNOWN = """
stress view
gravity stress
Foot, weightbearing status not specified
weight bearing requested
Belastungsstabil
Foot DP
Webb street
Follow-up
standing order
standing orders of the ward
erector spinae
patient standing by
long-standing pain
longstanding hallux valgus
weight 80 kg
Patient weight: 80 kg
body weight 80 kg
Belastungsaufnahme
Belastungs-EKG
WBC count
NEWBERRY ward
LAWB protocol
AWB12
WB CT
whole body scan
whole body (WB) bone scan
bearing
ball bearing
child bearing age
overbearing
notwithstanding
outstanding request
good understanding
erected in 1902
wait for the standard view
image loaded to archive
prise en charge du patient
presa in carico
radiografía de pie
pie derecho
pain on weight bearing
painful when standing
Schmerzen bei Belastung
douleur à l'appui
dolor al apoyo
dolore al carico
weight-bearing joints unremarkable
arthritis of weight bearing joint
weight bearing?
weight bearing if possible
standing if able
weight bearing status unknown
weight bearing not stated
weight bearing or not?
accident prone
prone to falls
decubitus ulcer of the heel
toes lying over each other
well seated implant
no charge
in charge of
descargar imagen
carga de archivos
Stand-by
wall stand
standard
Hand pa
"""


def _phrases() -> list[tuple[str, Loading]]:
    tables = {
        Loading.FULL: FULL,
        Loading.PARTIAL: PARTIAL,
        Loading.SIMULATED: SIMULATED,
        Loading.NONE: NONE,
        Loading.CONTRADICTORY: CONTRADICTORY,
        Loading.UNKNOWN: UNKNOWN,
    }
    return [(phrase, loading) for loading, table in tables.items() for phrase in table.strip().splitlines()]


def test_the_table_is_long_and_names_no_phrase_twice() -> None:
    phrases = [phrase for phrase, _ in _phrases()]
    assert len(phrases) >= 120
    assert len(set(phrases)) == len(phrases)


@pytest.mark.parametrize(("phrase", "loading"), _phrases())
@pytest.mark.parametrize("written", [str, str.upper, str.lower, lambda text: text.replace(" ", "_")])
def test_phrase(phrase: str, loading: Loading, written) -> None:
    assert settle(stated_in(written(phrase))) is loading


@pytest.mark.parametrize("around", ["Foot AP, {}", "{} - foot AP left", "R FOOT; {}; DIGITAL", "({})"])
@pytest.mark.parametrize(
    ("phrase", "loading"), [one for one in _phrases() if one[1] in (Loading.NONE, Loading.PARTIAL, Loading.SIMULATED)]
)
def test_words_around_it_do_not_turn_what_is_not_loaded_into_loaded(phrase, loading, around) -> None:
    assert settle(stated_in(around.format(phrase))) in (loading, Loading.CONTRADICTORY)


@pytest.mark.parametrize(
    ("statements", "loading"),
    [
        ((), Loading.UNKNOWN),
        ((Stated.STANDING, Stated.LOADED), Loading.FULL),
        ((Stated.STANDING, Stated.PARTLY), Loading.PARTIAL),
        ((Stated.AT_REST, Stated.PARTLY), Loading.PARTIAL),
        ((Stated.LOADED, Stated.PARTLY), Loading.CONTRADICTORY),
        ((Stated.AT_REST, Stated.UNLOADED), Loading.NONE),
        ((Stated.STANDING, Stated.AT_REST), Loading.CONTRADICTORY),
        ((Stated.SIMULATED, Stated.AT_REST), Loading.SIMULATED),
        ((Stated.SIMULATED, Stated.STANDING), Loading.CONTRADICTORY),
        ((Stated.UNCLEAR,), Loading.CONTRADICTORY),
    ],
)
def test_statements_that_may_stand_together(statements, loading) -> None:
    assert settle(statements) is loading


def test_a_long_text_is_read_in_reasonable_time() -> None:
    """A comment as long as DICOM allows (10240 characters, PS3.5, 6.2), made to be hard. Patterns that go back over
    what they have read would not come to an end; a process of its own can be stopped then."""
    code = "import sys; from raysplay.infer.films.loading_words import stated_in; list(stated_in(sys.stdin.read()))"
    for text in (
        "not the " * 1280,
        "unable to be " * 800 + "weight bearing",
        "w" * 10240,
        "a." * 5120,
        "bear full " * 1024,
    ):
        subprocess.run([sys.executable, "-c", code], input=text, text=True, check=True, timeout=300)


@pytest.mark.parametrize(
    ("text", "others"),
    [
        ("NON WEIGHT BEARING", ()),
        ("W.B. VIEW, RIGHT FOOT", ()),
        ("STANDING ORLA", ("orla",)),
        ("STANDING B", ("b",)),
        ("Skerrywyn, O. 17.04 EN CHARGE", ("o", "skerrywyn", "1704")),
        ("STANDISH", ("standish",)),
    ],
)
def test_words_that_have_no_part_in_a_statement_are_told(text, others):
    """By these a line on a film is known to hold a name; names are of the invented island."""
    assert beside(text) == others
