"""What is this table? A station file proposed from tables.

from qc.draft import draft
made = draft(["may.csv", "june.csv"], latitude=54.61, longitude=-2.95, elevation=310.0)
made.text        # the station file
made.questions   # what the tables could not decide
"""

from qc.draft.propose import Draft, draft

__all__ = ["Draft", "draft"]
