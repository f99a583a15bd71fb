"""Points of the SunSpec models that measure energy, in the order of their registers. Pure: a table and how to read it.

Source: model definitions of the SunSpec Alliance as shipped with pysunspec2 1.3.7 (Apache-2.0), models 101-103, 111-113,
201-204, 211-214, 701, 714 and 802; only names, types, units and scale factors are taken over. A line is `type unit
scale-factor: points`. The package itself is left out: 2.6 MB and its own Modbus client for a few tables. Models 702 to
713 hold ratings, settings and the state of charge: nothing that a register of the plan takes.
"""

from dataclasses import dataclass, replace

INVERTER = """
uint16 A A_SF: A AphA AphB AphC
sunssf - -: A_SF
uint16 V V_SF: PPVphAB PPVphBC PPVphCA PhVphA PhVphB PhVphC
sunssf - -: V_SF
int16 W W_SF: W
sunssf - -: W_SF
uint16 Hz Hz_SF: Hz
sunssf - -: Hz_SF
int16 VA VA_SF: VA
sunssf - -: VA_SF
int16 var VAr_SF: VAr
sunssf - -: VAr_SF
int16 Pct PF_SF: PF
sunssf - -: PF_SF
acc32 Wh WH_SF: WH
sunssf - -: WH_SF
uint16 A DCA_SF: DCA
sunssf - -: DCA_SF
uint16 V DCV_SF: DCV
sunssf - -: DCV_SF
int16 W DCW_SF: DCW
sunssf - -: DCW_SF
int16 C Tmp_SF: TmpCab TmpSnk TmpTrns TmpOt
sunssf - -: Tmp_SF
enum16 - -: St StVnd
bitfield32 - -: Evt1 Evt2 EvtVnd1 EvtVnd2 EvtVnd3 EvtVnd4
"""

INVERTER_FLOAT = """
float32 A -: A AphA AphB AphC
float32 V -: PPVphAB PPVphBC PPVphCA PhVphA PhVphB PhVphC
float32 W -: W
float32 Hz -: Hz
float32 VA -: VA
float32 var -: VAr
float32 Pct -: PF
float32 Wh -: WH
float32 A -: DCA
float32 V -: DCV
float32 W -: DCW
float32 C -: TmpCab TmpSnk TmpTrns TmpOt
enum16 - -: St StVnd
bitfield32 - -: Evt1 Evt2 EvtVnd1 EvtVnd2 EvtVnd3 EvtVnd4
"""

METER = """
int16 A A_SF: A AphA AphB AphC
sunssf - -: A_SF
int16 V V_SF: PhV PhVphA PhVphB PhVphC PPV PhVphAB PhVphBC PhVphCA
sunssf - -: V_SF
int16 Hz Hz_SF: Hz
sunssf - -: Hz_SF
int16 W W_SF: W WphA WphB WphC
sunssf - -: W_SF
int16 VA VA_SF: VA VAphA VAphB VAphC
sunssf - -: VA_SF
int16 var VAR_SF: VAR VARphA VARphB VARphC
sunssf - -: VAR_SF
int16 Pct PF_SF: PF PFphA PFphB PFphC
sunssf - -: PF_SF
acc32 Wh TotWh_SF: TotWhExp TotWhExpPhA TotWhExpPhB TotWhExpPhC TotWhImp TotWhImpPhA TotWhImpPhB TotWhImpPhC
sunssf - -: TotWh_SF
acc32 VAh TotVAh_SF: TotVAhExp TotVAhExpPhA TotVAhExpPhB TotVAhExpPhC TotVAhImp TotVAhImpPhA TotVAhImpPhB
acc32 VAh TotVAh_SF: TotVAhImpPhC
sunssf - -: TotVAh_SF
acc32 varh TotVArh_SF: TotVArhImpQ1 TotVArhImpQ1PhA TotVArhImpQ1PhB TotVArhImpQ1PhC TotVArhImpQ2 TotVArhImpQ2PhA
acc32 varh TotVArh_SF: TotVArhImpQ2PhB TotVArhImpQ2PhC TotVArhExpQ3 TotVArhExpQ3PhA TotVArhExpQ3PhB
acc32 varh TotVArh_SF: TotVArhExpQ3PhC TotVArhExpQ4 TotVArhExpQ4PhA TotVArhExpQ4PhB TotVArhExpQ4PhC
sunssf - -: TotVArh_SF
bitfield32 - -: Evt
"""

METER_FLOAT = """
float32 A -: A AphA AphB AphC
float32 V -: PhV PhVphA PhVphB PhVphC PPV PPVphAB PPVphBC PPVphCA
float32 Hz -: Hz
float32 W -: W WphA WphB WphC
float32 VA -: VA VAphA VAphB VAphC
float32 var -: VAR VARphA VARphB VARphC
float32 PF -: PF PFphA PFphB PFphC
float32 Wh -: TotWhExp TotWhExpPhA TotWhExpPhB TotWhExpPhC TotWhImp TotWhImpPhA TotWhImpPhB TotWhImpPhC
float32 VAh -: TotVAhExp TotVAhExpPhA TotVAhExpPhB TotVAhExpPhC TotVAhImp TotVAhImpPhA TotVAhImpPhB TotVAhImpPhC
float32 varh -: TotVArhImpQ1 TotVArhImpQ1phA TotVArhImpQ1phB TotVArhImpQ1phC TotVArhImpQ2 TotVArhImpQ2phA
float32 varh -: TotVArhImpQ2phB TotVArhImpQ2phC TotVArhExpQ3 TotVArhExpQ3phA TotVArhExpQ3phB TotVArhExpQ3phC
float32 varh -: TotVArhExpQ4 TotVArhExpQ4phA TotVArhExpQ4phB TotVArhExpQ4phC
bitfield32 - -: Evt
"""

DER_AC = """
enum16 - -: ACType St InvSt ConnSt
bitfield32 - -: Alrm DERMode
int16 W W_SF: W
int16 VA VA_SF: VA
int16 var Var_SF: Var
int16 PF PF_SF: PF
int16 A A_SF: A
uint16 V V_SF: LLV LNV
uint32 Hz Hz_SF: Hz
uint64 Wh TotWh_SF: TotWhInj TotWhAbs
uint64 varh TotVarh_SF: TotVarhInj TotVarhAbs
int16 C Tmp_SF: TmpAmb TmpCab TmpSnk TmpTrns TmpSw TmpOt
"""

DER_AC_PHASE = """
int16 W W_SF: W{0}
int16 VA VA_SF: VA{0}
int16 var Var_SF: Var{0}
int16 PF PF_SF: PF{0}
int16 A A_SF: A{0}
uint16 V V_SF: V{0}{1} V{0}
uint64 Wh TotWh_SF: TotWhInj{0} TotWhAbs{0}
uint64 varh TotVarh_SF: TotVarhInj{0} TotVarhAbs{0}
"""

# the 64 characters of text behind the scale factors are left out: they carry no value and would not fit into one request
DER_AC_END = """
uint16 Pct -: ThrotPct
bitfield32 - -: ThrotSrc
sunssf - -: A_SF V_SF Hz_SF W_SF PF_SF VA_SF Var_SF TotWh_SF TotVarh_SF Tmp_SF
"""

DER_DC = """
bitfield32 - -: PrtAlrms
uint16 - -: NPrt
int16 A DCA_SF: DCA
int16 W DCW_SF: DCW
uint64 Wh DCWH_SF: DCWhInj DCWhAbs
sunssf - -: DCA_SF DCV_SF DCW_SF DCWH_SF Tmp_SF
"""

DER_DC_PORT = """
enum16 - -: Prt{0}.PrtTyp
uint16 - -: Prt{0}.ID
uint64 - -: Prt{0}.IDStr Prt{0}.IDStr2
int16 A DCA_SF: Prt{0}.DCA
uint16 V DCV_SF: Prt{0}.DCV
int16 W DCW_SF: Prt{0}.DCW
uint64 Wh DCWH_SF: Prt{0}.DCWhInj Prt{0}.DCWhAbs
int16 C Tmp_SF: Prt{0}.Tmp
enum16 - -: Prt{0}.DCSta
bitfield32 - -: Prt{0}.DCAlrm
"""
DER_DC_PORTS = 4  # so many fit into one request

BATTERY = """
uint16 - AHRtg_SF: AHRtg
uint16 - WHRtg_SF: WHRtg
uint16 - WChaDisChaMax_SF: WChaRteMax WDisChaRteMax
uint16 - DisChaRte_SF: DisChaRte
uint16 - SoC_SF: SoCMax SoCMin SocRsvMax SoCRsvMin SoC
uint16 - DoD_SF: DoD
uint16 - SoH_SF: SoH
uint32 - -: NCyc
enum16 - -: ChaSt LocRemCtl
uint16 - -: Hb CtrlHb AlmRst
enum16 - -: Typ State StateVnd
uint32 - -: WarrDt
bitfield32 - -: Evt1 Evt2 EvtVnd1 EvtVnd2
uint16 V V_SF: V VMax VMin
uint16 - CellV_SF: CellVMax
uint16 - -: CellVMaxStr CellVMaxMod
uint16 - CellV_SF: CellVMin
uint16 - -: CellVMinStr CellVMinMod
uint16 - CellV_SF: CellVAvg
int16 A A_SF: A
uint16 - AMax_SF: AChaMax ADisChaMax
int16 W W_SF: W
enum16 - -: ReqInvState
int16 - W_SF: ReqW
enum16 - -: SetOp SetInvState
sunssf - -: AHRtg_SF WHRtg_SF WChaDisChaMax_SF DisChaRte_SF SoC_SF DoD_SF SoH_SF V_SF CellV_SF A_SF AMax_SF W_SF
"""


@dataclass(frozen=True, slots=True)
class PointDef:
    """One point of a model: type, unit as the model names it, name of its scale factor, and place behind the header."""

    name: str
    type: str
    unit: str
    scale: str
    offset: int
    registers: int


# Registers of each type and the raw value that says "not implemented" (sunspec_types.csv; pysunspec2 1.3.7). NaN of a
# float type is found by its value.
TYPES: dict[str, tuple[int, int | None]] = {
    "int16": (1, 0x8000),
    "uint16": (1, 0xFFFF),
    "acc16": (1, 0),
    "enum16": (1, 0xFFFF),
    "bitfield16": (1, 0xFFFF),
    "sunssf": (1, 0x8000),
    "int32": (2, 0x8000_0000),
    "uint32": (2, 0xFFFF_FFFF),
    "acc32": (2, 0),
    "enum32": (2, 0xFFFF_FFFF),
    "bitfield32": (2, 0xFFFF_FFFF),
    "int64": (4, 0x8000_0000_0000_0000),
    "uint64": (4, 0xFFFF_FFFF_FFFF_FFFF),
    "acc64": (4, 0),
    "float32": (2, 0x7FC0_0000),
    "float64": (4, 0x7FF8_0000_0000_0000),
}


def layout(text: str) -> dict[str, PointDef]:
    """The points of a table, each with its place."""
    point_defs: dict[str, PointDef] = {}
    offset = 0
    for line in text.strip().splitlines():
        head, _, names = line.partition(":")
        kind, unit, scale = (word if word != "-" else "" for word in head.split())
        registers = TYPES[kind][0]
        for name in names.split():
            point_defs[name] = PointDef(name, kind, unit, scale, offset, registers)
            offset += registers
    return point_defs


def _with_line_names(points: dict[str, PointDef]) -> dict[str, PointDef]:
    """Model 201 names the line-to-line voltages PPVphAB where 202 to 204 name them PhVphAB."""
    other = {"PhVphAB": "PPVphAB", "PhVphBC": "PPVphBC", "PhVphCA": "PPVphCA"}
    renamed = (replace(point, name=other.get(point.name, point.name)) for point in points.values())
    return {point.name: point for point in renamed}


_PHASES = (("L1", "L2"), ("L2", "L3"), ("L3", "L1"))
_DER_AC = layout(DER_AC + "".join(DER_AC_PHASE.format(*phase).lstrip() for phase in _PHASES) + DER_AC_END.lstrip())
_DER_DC = layout(DER_DC + "".join(DER_DC_PORT.format(port).lstrip() for port in range(1, DER_DC_PORTS + 1)))
_INVERTER, _INVERTER_FLOAT, _METER, _METER_FLOAT = map(layout, (INVERTER, INVERTER_FLOAT, METER, METER_FLOAT))
MODELS: dict[int, dict[str, PointDef]] = {
    **dict.fromkeys((101, 102, 103), _INVERTER),
    **dict.fromkeys((111, 112, 113), _INVERTER_FLOAT),
    201: _with_line_names(_METER),
    **dict.fromkeys((202, 203, 204), _METER),
    **dict.fromkeys((211, 212, 213, 214), _METER_FLOAT),
    701: _DER_AC,
    714: _DER_DC,
    802: layout(BATTERY),
}


def registers_of(model: int) -> int:
    """Registers of a model that its table covers."""
    last = list(MODELS[model].values())[-1]
    return last.offset + last.registers
