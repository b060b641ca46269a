# What `import xraymeasure` offers, and where it is; read by type checkers and by __init__.py.
from .change.result import Change as Change
from .change.result import Changes as Changes
from .errors import (
    FilmError as FilmError,
)
from .errors import (
    MeasureError as MeasureError,
)
from .errors import (
    PlanError as PlanError,
)
from .errors import (
    ReadingError as ReadingError,
)
from .errors import (
    StudyError as StudyError,
)
from .errors import (
    XrayMeasureError as XrayMeasureError,
)
from .examination import Examination as Examination
from .examination import examine as examine
from .film.film import Film as Film
from .film.film import film_from_array as film_from_array
from .film.read import read_film as read_film
from .measuring.measure import measure as measure
from .measuring.results import Finding as Finding
from .measuring.results import Measurement as Measurement
from .measuring.results import Measurements as Measurements
from .measuring.results import Missing as Missing
from .plan.compare import Comparison as Comparison
from .plan.compare import ComparisonRow as ComparisonRow
from .plan.compare import compare as compare
from .plan.plan import Plan as Plan
from .plan.plan import read_plan as read_plan
from .reading.file import read_reading as read_reading
from .reading.file import save_reading as save_reading
from .reading.reading import Reading as Reading
from .report.write import write_report as write_report
from .samples import sample as sample
from .samples import sample_names as sample_names
from .series.run.run import run_study as run_study
from .series.study.study import Study as Study
from .series.study.study import read_study as read_study

__version__: str
