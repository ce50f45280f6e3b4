"""What the processes of a study need, loaded when this is imported: they are forked from one that has imported it."""

from scanner.engine.ready import make_ready
from scanner.replays.recordings import Reading, survey
from scanner.studies import jobs  # noqa: F401 - it is what they do
from scanner.trade.rulebook import Rulebook

make_ready([Rulebook()])
list(survey((), Reading()))
