"""Makes pandapower_day.csv: 96 power flows of a transformer with five cables, solved by a general power-flow library.

    python tests/vectors/pandapower_day.py > tests/vectors/pandapower_day.csv

Needs pandapower (made with 3.5.6, numpy 2.4.6, pandas 2.3.3, Python 3.11) in an environment of its own: it pins pandas below the
version used here, so the solved figures are fixed and this script is run by hand. pandapower has the BSD licence.

The network: 20/0.4 kV, 630 kVA, uk 4 %, losses of tier 2 of (EU) 548/2014 (540 W, 4600 W), five cables NAYY 4x150 SE of 30 to
200 m, at the end of each a load of power factor 0.95 (inductive). Loads of each quarter hour come from a fixed seed: a base, a
working day or an evening of its own, and noise. Powers in kW, as solved to 1e-12 MVA.
"""

import sys

import numpy as np

SEED, QUARTERS = 548, 96
LENGTHS_KM = (0.05, 0.03, 0.08, 0.05, 0.2)
BASE_KW = (12.0, 8.0, 6.0, 10.0, 9.0)
MORE_KW = (55.0, 35.0, 30.0, 45.0, 40.0)
MIDDLE_H = (9.5, 12.0, 18.5, 14.0, 20.0)
WIDTH_H = (3.0, 4.0, 2.5, 3.5, 2.0)
POWER_FACTOR = 0.95


def loads_kw() -> np.ndarray:
    """Loads [96, 5]."""
    hour = (np.arange(QUARTERS)[:, None] + 0.5) / 4
    shape = np.exp(-0.5 * ((hour - np.array(MIDDLE_H)) / np.array(WIDTH_H)) ** 2)
    noise = np.random.default_rng(SEED).uniform(0.85, 1.15, (QUARTERS, len(BASE_KW)))
    return (np.array(BASE_KW) + np.array(MORE_KW) * shape) * noise


def solved(load_kw: np.ndarray) -> list[float]:
    """One power flow: feed on the high side, the cables' beginnings, loads, losses of transformer and cables."""
    import pandapower as pp

    net = pp.create_empty_network()
    high, low = pp.create_bus(net, vn_kv=20.0), pp.create_bus(net, vn_kv=0.4)
    pp.create_ext_grid(net, high)
    pp.create_transformer_from_parameters(
        net, high, low, sn_mva=0.63, vn_hv_kv=20.0, vn_lv_kv=0.4, vk_percent=4.0, vkr_percent=100 * 4.6 / 630,
        pfe_kw=0.54, i0_percent=0.2,
    )  # fmt: skip
    for length, power in zip(LENGTHS_KM, load_kw, strict=True):
        end = pp.create_bus(net, vn_kv=0.4)
        pp.create_line(net, low, end, length_km=length, std_type="NAYY 4x150 SE")
        reactive = power * np.tan(np.arccos(POWER_FACTOR))
        pp.create_load(net, end, p_mw=power / 1000, q_mvar=reactive / 1000)
    pp.runpp(net, tolerance_mva=1e-12, numba=False)
    lines, trafo = net.res_line, net.res_trafo
    feeders, losses = lines.p_from_mw.tolist(), lines.pl_mw.tolist()
    row = [trafo.p_hv_mw.iloc[0], *feeders, *net.res_load.p_mw.tolist(), trafo.pl_mw.iloc[0], *losses]
    return [1000 * float(value) for value in row]


def main() -> None:
    """The table, to standard output."""
    numbers = range(1, len(LENGTHS_KM) + 1)
    names = ["quarter", "feed_hv_kw", *(f"feeder{i}_kw" for i in numbers), *(f"load{i}_kw" for i in numbers)]
    names += ["trafo_loss_kw", *(f"cable{i}_loss_kw" for i in numbers)]
    sys.stdout.write(",".join(names) + "\n")
    for quarter, load in enumerate(loads_kw()):
        sys.stdout.write(",".join([str(quarter), *(f"{value:.9f}" for value in solved(load))]) + "\n")


if __name__ == "__main__":
    main()
