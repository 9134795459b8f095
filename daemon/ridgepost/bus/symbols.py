"""APRS symbols in words (APRS 1.2c, Appendix 2): a table identifier, and a code from it.

Those that the standard leaves open, or gives to one program, have no word here.
"""

# The code, then what it stands for.
_PRIMARY = """
! police station
# digipeater
$ telephone
% DX cluster
& HF gateway
' small aircraft
( satellite ground station
) wheelchair
* snowmobile
+ Red Cross
, scout
- house
. cross
/ dot
: fire
; campsite
< motorcycle
= railway engine
> car
? file server
@ forecast hurricane
A aid station
B bulletin board
C canoe
E event
F farm vehicle
G grid square
H hotel
I network station
K school
L computer
N message relay
O balloon
P police
R recreational vehicle
S spacecraft
T slow-scan television
U bus
V amateur television
W weather service
X helicopter
Y sailing boat
[ person
\\ triangle
] post office
^ large aircraft
_ weather station
` dish antenna
a ambulance
b bicycle
c incident command post
d fire department
e horse
f fire engine
g glider
h hospital
i island
j jeep
k truck
l laptop
m microphone repeater
n node
o emergency operations centre
p rover
q grid square
r repeater
s ship
t truck stop
u articulated truck
v van
w water station
y antenna
"""

_ALTERNATE = """
! emergency
# digipeater
$ bank
% power plant
& gateway
' incident site
( cloudy
) earth observation
+ church
, girl scout
- house
. ambiguous place
/ waypoint
0 circle
8 network node
9 petrol station
; picnic place
< weather warning
= touch-tone user
> vehicle
? information
@ hurricane
A box
C coast guard
D depot
E smoke
H haze
I rain shower
K handheld radio
L lighthouse
M military radio
N buoy
O balloon
P parking
Q earthquake
R restaurant
S satellite
T thunderstorm
U sunny
V navigation aid
W weather service
X pharmacy
Y radio
[ wall cloud
\\ navigation symbol
^ aircraft
_ weather station
` rain
a emergency service
c civil defence
d DX spot
e sleet
f funnel cloud
g gale
h shop
i point of interest
j work zone
k special vehicle
l area
m value sign
n triangle
o small circle
r toilets
s ship
t tornado
u truck
v van
w flooding
x wreck
y weather spotter
z shelter
"""


def _table(text: str) -> dict[str, str]:
    return {line[0]: line[2:] for line in text.strip().splitlines()}


_TABLES = {"/": _table(_PRIMARY), "\\": _table(_ALTERNATE)}


def symbol_name(table: str, code: str) -> str | None:
    """What a symbol stands for; `table` may be an overlay, which alternate symbols bear."""
    return _TABLES.get(table, _TABLES["\\"]).get(code)
