"""The estimate: both unknown transforms, the noise levels, and an honest uncertainty."""

from .assemble import assembled, estimated
from .problem import Problem, Touched, problem_from
from .result import Result

__all__ = ["Problem", "Result", "Touched", "assembled", "estimated", "problem_from"]
