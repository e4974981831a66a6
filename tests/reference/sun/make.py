"""
Cut the small extracts beside this file out of the packages named in SOURCE.md.

``python make.py PATH_OF_PVANALYTICS_DATA``
"""

import sys
from pathlib import Path

import pandas as pd

HERE = Path(__file__).parent


def main():
    data = Path(sys.argv[1])
    t = pd.read_csv(data / "nrel_RSF_II.csv", index_col=0)
    out = pd.DataFrame(
        {
            "time_local": pd.to_datetime(t.index).strftime("%Y-%m-%dT%H:%M:%S-07:00"),
            "power_dc_w": t["inv2_dc_power__1135"].round(1).to_numpy(),
            "voltage_dc_v": t["inv2_dc_voltage__1048"].round(2).to_numpy(),
            "temp_air_c": t["ambient_temp__1053"].round(2).to_numpy(),
            "poa_w_m2": t["poa_irradiance__1055"].round(1).to_numpy(),
        }
    )
    out.to_csv(HERE / "roof_15min.csv", index=False)
    t = pd.read_parquet(data / "system_50_ac_power_2_full_DST.parquet")
    t = t.set_index("measured_on")["ac_power_2"]
    part = t.loc["2011-10-30":"2011-11-13"]
    part = part[part > 1]
    out = pd.DataFrame(
        {
            "time_shown": part.index.strftime("%Y-%m-%dT%H:%M:%S-07:00"),
            "power_w": part.round(0).to_numpy(),
        }
    )
    out.to_csv(HERE / "clock_shift_15min.csv", index=False)


main()
