"""Looks at an unknown export and proposes a profile for it."""

from ingest.propose.answers import Answers as Answers
from ingest.propose.answers import read_answers as read_answers
from ingest.propose.model import ColumnProposal as ColumnProposal
from ingest.propose.model import Guess as Guess
from ingest.propose.model import Proposal as Proposal
from ingest.propose.model import Question as Question
from ingest.propose.preview import Preview as Preview
from ingest.propose.preview import preview as preview
from ingest.propose.propose import propose as propose
from ingest.propose.toml import profile_to_toml as profile_to_toml
