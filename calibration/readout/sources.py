"""The formula of each step of an explanation and where it is published, as the core has them."""

from collections.abc import Mapping
from dataclasses import dataclass

from calibration.metrology.causes import CAUSES as TABLE

_P_OUT = "p_out = Φ((change - tolerance)/u) + Φ((-tolerance - change)/u); E_n = change/(2·u)"
_CONFORMITY = "JCGM 106:2012, 7.2 to 7.4; ISO 13528:2015, 9.7"


@dataclass(frozen=True)
class Source:
    """A formula in plain text, and the publication that it is from."""

    formula: str
    source: str

    def says(self, sentence: str) -> dict[str, str]:
        """Return a sentence with its formula and source beside it."""
        return {"says": sentence, "formula": self.formula, "source": self.source}


REFERENCE = Source(
    "u(slope, common) = |slope|·u_reference/100",
    "JCGM 100:2008, 5.2.2 (correlated input quantities)",
)
TWO_POINTS = Source(
    "slope = (reading₂ - reading₁)/(load₂ - load₁); offset = reading₁ - slope·load₁",
    "York et al., Am. J. Phys. 72 (2004) 367, for two points",
)
LINE = Source(
    "minimum of Σ W·(reading - offset - slope·load)², W = 1/(u_reading² + slope²·u_load²)",
    "York et al., Am. J. Phys. 72 (2004) 367, eq. 13; Birge, Phys. Rev. 40 (1932) 207",
)
FIGURES = Source(
    "100·deviation/(|slope|·rated load)",
    "ANSI/ISA-37.1-1975 (R1982): linearity, hysteresis, repeatability, zero return",
)
CURVE = Source(
    "F = (gain of the added term)/(mean square of the rest)",
    "NIST/SEMATECH e-Handbook of Statistical Methods, 4.6.1; Draper & Smith, extra sum of squares",
)
EXPECTED = Source(
    "reading line = level + noise; level = level before + common change + walk",
    "Durbin & Koopman, Time Series Analysis by State Space Methods, 2nd ed. 2012, ch. 2",
)
JUMP = Source(
    "P(jump | numbers) ∝ P(jump)·P(numbers | jump)",
    "Bar-Shalom, Li & Kirubarajan, Estimation with Applications to Tracking 2001, 11.6.4",
)
COMMON = Source(
    "location of a mixture: sound cells, drifted cells, wrong numbers",
    "Huber & Ronchetti, Robust Statistics, 2nd ed. 2009, 1.2 and 4.5; Mandel & Paule, "
    "Anal. Chem. 42 (1970) 1194",
)
SLOPE_CHANGE = Source(
    "change = 100·(slope/slope₀ - 1), slope₀ the level before, the day's common change in it; "
    f"{_P_OUT}",
    _CONFORMITY,
)
OFFSET_CHANGE = Source(
    f"change = (offset - offset₀)/slope₀, both the levels before; {_P_OUT}", _CONFORMITY
)
PAIRWISE = Source(
    "u² = Σ (∂change/∂x)²·u(x)², one reference's share cancelling",
    "JCGM 100:2008, 5.1.2 and 5.2.2",
)
DECISION = Source(
    "beyond where p_out ≥ flag_probability, watch where p_out ≥ watch_probability",
    "JCGM 106:2012, 7.4; the thresholds are the policy's",
)
FIRST = Source("watch where |E_n| is above the limit", "ISO 13528:2015, 9.7; the limit is ours")
RULE = Source("", "")
FELT = Source(
    "true load = (offset_cab + slope_cab·setpoint - offset)/slope",
    "JCGM 100:2008, 5.1.2 and 5.2.2",
)
TREND = Source(
    "rate = median of the slopes between all pairs of seasons",
    "Sen, J. Am. Stat. Assoc. 63 (1968) 1379",
)
CAUSES = Source(
    "P(cause | numbers) ∝ P(cause)·P(numbers | cause)",
    "Bayes' rule; the frequencies are common practice put into numbers, no source",
)

_TODO = {
    "repeat": "Repeat the calibration before anything is replaced.",
    "correct": "Record a corrected calibration that supersedes this one.",
    "cell": "The cell itself changed: use the new numbers, or see to the cell.",
    "reference": "No cell needs to be replaced for this.",
}
REMEDIES: Mapping[str, str] = {cause.code: _TODO[cause.remedy] for cause in TABLE}
