"""Which of our tables are in the audit trail: what people decide. What is derived is not."""

from fleet.auditing import Audited

_SENSORS_DEALER = "(SELECT s.dealer_id FROM fleet_sensor s WHERE s.id = {r}.sensor_id)"
_CUSTOMERS_DEALER = "(SELECT c.dealer_id FROM fleet_customer c WHERE c.id = {r}.customer_id)"

TABLES = (
    Audited("calibration_referencestandard", dealer="{r}.dealer_id"),
    Audited("calibration_tolerancepolicy", dealer="{r}.dealer_id"),
    # A scan opens and closes flags as records say; a person acknowledges or closes one.
    Audited(
        "calibration_driftflag", dealer=_SENSORS_DEALER, sensor="{r}.sensor_id",
        watched=("acknowledged_by_id", "closed_by_id", "close_reason"),
    ),
    Audited(
        "calibration_visit", dealer=_CUSTOMERS_DEALER, customer="{r}.customer_id",
        silent=("updated_at",),
    ),
    # What is told, and when, is not a person's doing; where to, and whether, is.
    Audited(
        "calibration_webhook", dealer="{r}.dealer_id", secret=("secret", "secret_before"),
        watched=("url", "kinds", "active"),
    ),
    Audited("calibration_calendarfeed", dealer="{r}.dealer_id", secret=("token_hash",)),
    Audited("calibration_flagfamily", dealer="{r}.dealer_id"),
)  # fmt: skip
