"""Requests and responses about forced ageing and what is fitted to it."""

from pydantic import Field, SecretStr

from rimekeep.platform.language import Worded
from rimekeep.platform.schemas import Body, Code, Instant, Reason, View
from rimekeep.shelflife.core.laws import Form
from rimekeep.shelflife.core.states import CalibrationState
from rimekeep.shelflife.core.trial import Direction, Kinetics
from rimekeep.shelflife.schemas.profiles import ReferenceC, RouteName, Source


class ObservationIn(Body):
    """A sample of forced ageing; replicates as often as measured."""

    temp_c: float = Field(ge=-10, le=65, description="Kept at. [°C]", examples=[30])
    day: float = Field(ge=0, le=3650, description="Since the start of the trial.", examples=[14])
    score: float = Field(ge=-1e9, le=1e9, examples=[6.5])


class CalibrationIn(Body):
    """Forced-ageing data for one route, and how to read them."""

    route: RouteName
    observations: list[ObservationIn] | None = Field(None, min_length=1, max_length=2000)
    series: Code | None = Field(None, description="An imported series, in place of `observations`.")
    direction: Direction = Field(description="Where the score goes as the beer ages.")
    limit: float = Field(
        ge=-1e9, le=1e9, description="Score at which the beer counts as spent.", examples=[4]
    )
    start_score: float | None = Field(
        None, ge=-1e9, le=1e9, description="Score of fresh beer; null: fitted, one for all temperatures."
    )
    kinetics: Kinetics = Field(
        Kinetics.ZERO_ORDER, description="By equal steps in time, or by equal shares of the score."
    )
    form: Form = Form.ARRHENIUS
    reference_c: ReferenceC
    source: Source


class EstimateOut(View):
    """A fitted value with its standard deviation and 95 % interval; null where there is none."""

    value: float
    sd: float | None
    low: float | None
    high: float | None


class PointOut(View):
    """A sample beside the curve, for a plot of residuals."""

    temp_c: float
    day: float
    score: float
    fitted: float
    residual: float
    standardised: float | None = Field(description="Residual over its own standard deviation.")


class LackOfFitOut(View):
    """What the replicates say about the form."""

    f: float
    misfit_freedom: int
    replicate_freedom: int
    probability: float


class AlternativeOut(View):
    """Another form or kinetics on the same data."""

    kinetics: Kinetics
    form: Form
    aicc: float | None = Field(description="Smaller is better; a difference below 2 says nothing.")
    residual_sd: float | None
    life_days: float | None
    refused: str | None = Field(description="Why it does not fit at all.")


class BestOut(View):
    """What tells the data best by AICc. It is told, never chosen."""

    kinetics: Kinetics
    form: Form


class FitOut(View):
    """What the data gave."""

    life_days: EstimateOut = Field(description="Life at the reference temperature.")
    parameter_name: str
    parameter: EstimateOut
    start_score: EstimateOut
    correlation: float = Field(description="Between life and parameter.")
    parameters: int
    freedom: int = Field(description="Samples less parameters.")
    residual_sd: float
    r_squared: float
    way_share: float = Field(description="How far towards the limit the sample went that went farthest.")
    lack_of_fit: LackOfFitOut | None = Field(description="Null without replicates.")
    aicc: float | None
    best: BestOut | None
    alternatives: list[AlternativeOut]
    points: list[PointOut]


class RemarkOut(View):
    """What whoever relies on the fit must know."""

    code: str
    text: Worded
    is_thin: bool


class CalibrationSummaryOut(View):
    """A calibration in a list."""

    id: int
    product_id: int
    route: str
    series: str | None
    source: str
    is_thin: bool = Field(description="The data carry the fit, but hardly; the remarks say why.")
    remarks: list[RemarkOut]
    state: CalibrationState
    author_id: int
    created_at: Instant
    decided_by: int | None
    decided_at: Instant | None
    decision_reason: str | None
    signed_sha256: str | None


class AskedOut(View):
    """How the data were read."""

    direction: Direction
    limit: float
    start_score: float | None
    kinetics: Kinetics
    form: Form
    reference_c: float


class CalibrationOut(CalibrationSummaryOut):
    """A calibration with its fit and the data of a residual plot."""

    asked: AskedOut
    fit: FitOut
    profile_version: int | None = Field(description="The version its approval made.")


class ApprovalIn(Body):
    """QA's signed word for a calibration."""

    reason: Reason
    signature_token: SecretStr = Field(
        min_length=1, max_length=500, description="Your own token once more: it signs."
    )


class RefusalIn(Body):
    """QA's word against a calibration."""

    reason: Reason


class ForcedAgeingOut(View):
    """An imported score."""

    id: int
    series: str
    temp_c: float
    day: float
    score: float
