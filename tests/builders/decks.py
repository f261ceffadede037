"""Small invented instances whose limits bind about as often as not."""

from typing import Any

from hypothesis import strategies as st

CLASSES = {
    "cold": {"min_c": 0, "max_c": 3},
    "chilled": {"min_c": 2, "max_c": 6},
    "cellar": {"min_c": 5, "max_c": 12},
}


@st.composite
def instances(draw: st.DrawFn) -> dict[str, Any]:
    """Return a small instance whose limits bind about as often as not."""
    rows = [
        {"x_mm": 500 + 1000 * r, "lanes": lanes}
        for r, lanes in enumerate(draw(st.lists(st.integers(1, 2), min_size=2, max_size=3)))
    ]
    truck: dict[str, Any] = {
        "payload_max_kg": draw(st.sampled_from([1500, 2500, 9000])),
        "gross_max_kg": draw(st.sampled_from([13_000, 21_000])),
        "drive_min_share_pct": draw(st.sampled_from([0, 25, 33])),
        "rows": rows,
    }
    if draw(st.booleans()):
        truck |= {
            "d_k_mm": 900,
            "L_s_mm": draw(st.sampled_from([1500, 4200])),
            "WB_mm": 3600,
            "e_mm": 500,
            "F0_kg": 5000,
            "D0_kg": 3600,
            "B0_kg": 2800,
            "front_max_kg": draw(st.sampled_from([5200, 7100])),
            "drive_max_kg": draw(st.sampled_from([4800, 9500])),
            "bogie_max_kg": draw(st.sampled_from([3500, 4500, 9000])),
            "K_max_kg": 6500,
            "K_min_kg": draw(st.sampled_from([-500, 0, 300])),
        }
    else:
        truck |= {
            "kind": "rigid",
            "front_axle_x_mm": -800,
            "wheelbase_mm": 3000,
            "front_tare_kg": 4000,
            "rear_tare_kg": 3000,
            "front_max_kg": draw(st.sampled_from([4500, 7500])),
            "rear_max_kg": draw(st.sampled_from([4000, 5000, 10_000])),
            "steer_min_share_pct": draw(st.sampled_from([0, 45])),
        }
    stops = draw(st.integers(1, 3))
    pallets = draw(
        st.lists(
            st.tuples(
                st.integers(0, stops - 1), st.sampled_from(sorted(CLASSES)), st.sampled_from([300, 700, 1200])
            ),
            min_size=1,
            max_size=8,
        )
    )
    return {
        "truck": truck,
        "rules": {
            "max_stops_per_truck": draw(st.sampled_from([None, None, 1, 2])),
            "split_of_stop_allowed": draw(st.booleans()),
            "gaps_allowed": draw(st.booleans()),
        },
        "temperature_classes": CLASSES,
        "stops": [{"id": "ABC"[s], "seq": s + 1} for s in range(stops)],
        "pallets": [
            {"id": f"P{k}", "stop": "ABC"[s], "class": name, "weight_kg": kg}
            for k, (s, name, kg) in enumerate(pallets)
        ],
    }
