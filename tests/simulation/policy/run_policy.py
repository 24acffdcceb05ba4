"""Is the rule that policy recommends truly cheap? Writes policy.csv, a row per company.

python tests/simulation/policy/run_policy.py --companies 200 --seed 9
"""

from __future__ import annotations

import argparse
import csv
import datetime as dt
import time
from pathlib import Path

import numpy as np
from policy_world import answer, make, true_costs

COLUMNS = (
    "company", "kind", "partner", "units", "cutout_jobs", "multiplier", "partner_price", "said",
    "least", "truly_least", "true_regret_share", "expected_regret_share", "saving_true",
    "saving_estimate", "saving_low", "saving_high", "bad_share_true", "seconds", "seed", "command",
    "date",
)  # fmt: skip


def one(number: int, seed: int) -> dict[str, object]:
    """One company, asked and checked."""
    begin = time.process_time()
    company = make(number, seed)
    weighed = answer(company, seed=number)
    row: dict[str, object] = {
        "company": number, "kind": company.kind, "partner": company.partner,
        "units": company.truth.units, "cutout_jobs": len(company.jobs),
        "multiplier": round(company.truth.multiplier, 2),
        "partner_price": round(company.money.second_price, 2), "seed": seed,
        "date": dt.date.today().isoformat(),
        "bad_share_true": round(float(company.jobs[:, 2].mean()), 4) if len(company.jobs) else "",
    }  # fmt: skip
    if weighed is None:
        return row | {"said": "refused", "seconds": round(time.process_time() - begin, 2)}
    true = true_costs(company, weighed.actions)
    found, least = weighed.decision, weighed.at(weighed.decision.least)
    saving, low, high = weighed.saving()
    return row | {
        "said": found.recommend,
        "least": found.least,
        "truly_least": weighed.names[int(np.argmin(true))],
        "true_regret_share": round(float((true[least] - true.min()) / true[least]), 5),
        "expected_regret_share": round(found.expected_regret_share, 5),
        "saving_true": round(float(true[weighed.at("keep")] - true[least]), 3),
        "saving_estimate": round(saving, 3),
        "saving_low": round(low, 3),
        "saving_high": round(high, 3),
        "seconds": round(time.process_time() - begin, 2),
    }


def main() -> None:
    """Run and write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--companies", type=int, default=200)
    parser.add_argument("--seed", type=int, default=9)
    parser.add_argument("--out", type=Path, default=Path(__file__).with_name("policy.csv"))
    asked = parser.parse_args()
    program = "python tests/simulation/policy/run_policy.py"
    command = f"{program} --companies {asked.companies} --seed {asked.seed}"
    with asked.out.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, COLUMNS, lineterminator="\n")
        writer.writeheader()
        for number in range(asked.companies):
            row = one(number, asked.seed) | {"command": command}
            writer.writerow(row)
            file.flush()
            print({k: row.get(k) for k in COLUMNS[:12]}, row.get("seconds"), flush=True)


if __name__ == "__main__":
    main()
