"""Plans with one source of each protocol."""

from tests.plans import FILES

SOUND = {
    "modbus": "3/holding/72/float32/cdab",
    "sunspec": "1/203/TotWhImp",
    "mbus": "5/8C1004",
    "sml": "1-0:1.8.0*255",
    "iec62056-21": "1.8.0",
    "dlms-push": "1-1:1.8.0*255",
}


def files(protocol: str, address: str, *, field: str = "", options: str = "") -> dict[str, str]:
    source = f'[[source]]\nname = "broker"\n\n[[source]]\nname = "line"\nprotocol = "{protocol}"\nhost = "10.0.0.5"\n{options}\n'
    return {
        **FILES,
        "site.toml": FILES["site.toml"].replace("[[board]]", f"{source}\n[[board]]", 1),
        "inputs.csv": FILES["inputs.csv"].replace("pulses/q02,,imp,,", "pulses/q02,,imp,,\nq02,16.7.0,broker,x,,W,,")
        + f"t2,2.8.0,line,{address},{field},,,\n",
        "patterns/room.toml": FILES["patterns/room.toml"].replace('address = "', 'source = "broker"\naddress = "'),
    }
