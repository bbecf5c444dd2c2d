"""
Test prints planned as a designed experiment, from question to signed setting.

The flow, which is also the order of imports::

    study.toml ──plan──▶ plan.csv ──sheet──▶ sheets/round-1.xlsx ──(print and test)──▶ collect ──▶ record/
                                                                                                     │
    report.pdf ◀──report── recommendation.json ◀──recommend── fit.json ◀──fit──────────────────────┘

    errors < verdicts < files < numerics < study < design < sheet < record < model < recommend < report < demo < cli
"""

__version__ = "0.1.0"
__all__ = ["__version__"]
