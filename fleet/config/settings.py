"""Django's settings, made from the environment (README, "Settings")."""

from datetime import timedelta

import django_stubs_ext
from celery.schedules import crontab

from fleet.config import env
from fleet.config.logs import logging_settings

django_stubs_ext.monkeypatch()  # Django's generic classes may be written as such at run time

BASE_DIR = env.BASE_DIR
DATABASES = {"default": env.database()}
EMBEDDED = DATABASES["default"]["ENGINE"].endswith("sqlite3")

DEBUG = env.flag("DEBUG", default=False)
SECRET_KEY = env.secret_key(embedded=EMBEDDED)
ALLOWED_HOSTS = env.hosts("ALLOWED_HOSTS") or (
    ["localhost", "127.0.0.1", "[::1]"] if EMBEDDED or DEBUG else []
)
CSRF_TRUSTED_ORIGINS = [
    f"https://{host.lstrip('.')}" for host in ALLOWED_HOSTS if host not in {"*", "[::1]"}
]

INSTALLED_APPS = [
    "fleet",
    "calibration",
    "api",
    "fleet.config.desk.DeskConfig",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "whitenoise.runserver_nostatic",
    "django.contrib.staticfiles",
    "rest_framework",
    "knox",
    "axes",
    "django_otp",
    "django_otp.plugins.otp_totp",
    "django_otp.plugins.otp_static",
    "drf_spectacular",
    "drf_spectacular_sidecar",
]

MIDDLEWARE = [
    "fleet.config.edge.TrustedProxy",
    "fleet.config.edge.Occasion",
    "fleet.config.edge.Probes",
    "django.middleware.security.SecurityMiddleware",
    "fleet.config.bounds.BoundedBody",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "fleet.config.security.ContentSecurityPolicy",
    "api.compression.Compression",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "fleet.config.actor.WhoActs",
    "fleet.config.clock.PersonsZone",
    "django_otp.middleware.OTPMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "axes.middleware.AxesMiddleware",
]

ROOT_URLCONF = "fleet.config.urls"
WSGI_APPLICATION = "fleet.config.wsgi.application"
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"
AUTH_USER_MODEL = "fleet.User"
PASSWORD_HASHERS = [
    "django.contrib.auth.hashers.Argon2PasswordHasher",
    "django.contrib.auth.hashers.PBKDF2PasswordHasher",
]
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": f"django.contrib.auth.password_validation.{name}"}
    for name in (
        "UserAttributeSimilarityValidator",
        "MinimumLengthValidator",
        "CommonPasswordValidator",
        "NumericPasswordValidator",
    )
]
LOGIN_URL = "admin:login"

TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
            ]
        },
    }
]

USE_TZ = True
TIME_ZONE = "UTC"
LANGUAGE_CODE = "en"
FORMAT_MODULE_PATH = "fleet.config.formats"
STATIC_URL = "static/"
WHITENOISE_USE_FINDERS = True

# ── Doors ──
# Who guesses at a name from an address is locked out there; the owner, elsewhere, is not.
AUTHENTICATION_BACKENDS = [
    "axes.backends.AxesStandaloneBackend",
    "django.contrib.auth.backends.ModelBackend",
]
AXES_LOCKOUT_PARAMETERS = [["username", "ip_address"]]
AXES_FAILURE_LIMIT = 8
AXES_COOLOFF_TIME = timedelta(minutes=15)
AXES_RESET_ON_SUCCESS = True
AXES_RESET_COOL_OFF_ON_FAILURE_DURING_LOCKOUT = False  # or a guesser could lock for ever
AXES_LOCKOUT_CALLABLE = "fleet.admin.signing_in.locked_out"
AXES_CLIENT_IP_CALLABLE = "fleet.guessing.address_of"
AXES_SENSITIVE_PARAMETERS = ["password", "otp", "code", "csrfmiddlewaretoken"]
AXES_ENABLE_ADMIN = False
AXES_VERBOSE = False
# Who needs a second factor: nobody, those who see every dealer, or everybody.
SECOND_FACTOR = env.choice(
    "SECOND_FACTOR",
    ("optional", "cross-dealer", "everybody"),
    "optional" if EMBEDDED or DEBUG else "cross-dealer",
)
OTP_TOTP_ISSUER = "Spanbook"

# Who may say for whom they ask, and who may read our figures.
TRUSTED_PROXIES = env.networks("TRUSTED_PROXIES")
METRICS_ALLOW = env.networks("METRICS_ALLOW")
METRICS_TOKEN = env.secret("METRICS_TOKEN")
API_REQUESTS_PER_MINUTE = env.per_minute("API_REQUESTS_PER_MINUTE", 6000)

# An upload is read in a bounded buffer; a JSON body larger than this is refused with 413.
DATA_UPLOAD_MAX_MEMORY_SIZE = 10 * 2**20
EVENTS_KEPT_DAYS = 400
WEBHOOK_TIMEOUT = 10.0  # s
# Networks that webhooks may reach although they are not public: "127.0.0.0/8,10.0.0.0/8".
WEBHOOK_NETWORKS = env.networks("WEBHOOK_NETWORKS")
FILE_UPLOAD_MAX_MEMORY_SIZE = 2 * 2**20
FILE_UPLOAD_HANDLERS = [
    "fleet.config.uploads.Bounded",
    "django.core.files.uploadhandler.MemoryFileUploadHandler",
    "django.core.files.uploadhandler.TemporaryFileUploadHandler",
]

SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
X_FRAME_OPTIONS = "DENY"
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SAMESITE = "Lax"
# Behind TLS everything but the embedded desk: cookies never travel in the clear.
SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = not (EMBEDDED or DEBUG)
SESSION_COOKIE_AGE = 14 * 24 * 3600
SESSION_EXPIRE_AT_BROWSER_CLOSE = SESSION_COOKIE_SECURE  # a shared desk forgets who was there
SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")  # of a trusted proxy only: edge.py
# Behind a proxy that brings TLS, plain requests are sent to it, and browsers remember.
HTTPS = env.flag("HTTPS", default=bool(TRUSTED_PROXIES))
SECURE_SSL_REDIRECT = HTTPS
SECURE_HSTS_SECONDS = 365 * 24 * 3600 if HTTPS else 0
SECURE_HSTS_INCLUDE_SUBDOMAINS = SECURE_HSTS_PRELOAD = HTTPS

_EMAIL = env.email()
EMAIL_BACKEND = _EMAIL["EMAIL_BACKEND"]
EMAIL_HOST = _EMAIL.get("EMAIL_HOST") or "localhost"
EMAIL_PORT = _EMAIL.get("EMAIL_PORT") or 25
EMAIL_HOST_USER = _EMAIL.get("EMAIL_HOST_USER") or ""
EMAIL_HOST_PASSWORD = _EMAIL.get("EMAIL_HOST_PASSWORD") or ""
EMAIL_USE_TLS = _EMAIL.get("EMAIL_USE_TLS", False)
EMAIL_USE_SSL = _EMAIL.get("EMAIL_USE_SSL", False)
EMAIL_FILE_PATH = _EMAIL.get("EMAIL_FILE_PATH") or None
EMAIL_TIMEOUT = 20
DEFAULT_FROM_EMAIL = env.sender("spanbook@localhost")

REDIS_URL = env.redis_url()
CELERY_BROKER_URL = REDIS_URL or None
CELERY_RESULT_BACKEND = None
CELERY_TASK_IGNORE_RESULT = True
CELERY_TASK_ACKS_LATE = True
CELERY_TASK_REJECT_ON_WORKER_LOST = True
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
CELERY_BROKER_TRANSPORT_OPTIONS = {"visibility_timeout": 3600}
CELERY_TIMEZONE = "UTC"
CELERY_BEAT_SCHEDULE = {
    "nightly": {"task": "calibration.tasks.nightly", "schedule": crontab(hour=2, minute=10)},
    "reminders": {"task": "calibration.tasks.remind", "schedule": crontab(minute=25)},
    "webhooks": {"task": "calibration.tasks.tell", "schedule": timedelta(seconds=20)},
    "forget": {"task": "calibration.tasks.forget", "schedule": crontab(hour=3, minute=40)},
    "imports": {"task": "calibration.tasks.work_imports", "schedule": crontab()},
}

# How long a worker may keep a chunk of a scan without a sign of life before another takes it.
SCAN_LEASE = timedelta(minutes=10)

# The Ed25519 key that signs checkpoints: a file, never a row (README, "Settings").
CHECKPOINT_KEY_FILE = env.text("CHECKPOINT_KEY_FILE")

# Uploaded record files: how large, where (never served; web and worker share it), how long kept,
# and how long a worker may keep one without a sign of life.
IMPORT_LARGEST = 100 * 2**20
IMPORT_FOLDER = env.folder("IMPORT_FOLDER", beside=DATABASES["default"])
IMPORT_DAYS = 30
IMPORT_LEASE = timedelta(minutes=5)

KNOX_TOKEN_MODEL = "fleet.AccessToken"  # noqa: S105 - a model's name, no password
REST_KNOX = {
    "AUTH_HEADER_PREFIX": "Bearer",
    "TOKEN_TTL": timedelta(days=30),
    "TOKEN_MODEL": KNOX_TOKEN_MODEL,
    "TOKEN_LIMIT_PER_USER": None,
}
REST_FRAMEWORK = {
    "DEFAULT_AUTHENTICATION_CLASSES": [
        "api.authentication.Bearer",
        "rest_framework.authentication.SessionAuthentication",
    ],
    "DEFAULT_PERMISSION_CLASSES": ["api.permissions.RoleMay"],
    "DEFAULT_CONTENT_NEGOTIATION_CLASS": "api.rendering.Negotiation",
    "DEFAULT_RENDERER_CLASSES": ["api.rendering.Json"],
    "DEFAULT_PARSER_CLASSES": ["api.parsing.Json"],
    "DEFAULT_PAGINATION_CLASS": "api.pagination.Pages",
    "DEFAULT_FILTER_BACKENDS": [
        "api.filters.Filters",
        "api.filters.Search",
        "api.filters.Ordering",
    ],
    "DEFAULT_SCHEMA_CLASS": "api.schema.Schema",
    "DEFAULT_METADATA_CLASS": None,
    "EXCEPTION_HANDLER": "api.errors.problem",
    "DEFAULT_THROTTLE_CLASSES": ["api.throttling.PerPerson"],
    "LIST_SERIALIZER_ERRORS_AS_DICT": True,
    "TEST_REQUEST_DEFAULT_FORMAT": "json",
}
SPECTACULAR_SETTINGS = {
    "TITLE": "Spanbook",
    "VERSION": "1",
    "DESCRIPTION": "Load calibrations of a fleet of seeding machines: records, verdicts, plans.",
    "OAS_VERSION": "3.1.1",
    "SERVE_INCLUDE_SCHEMA": False,
    "SERVE_PERMISSIONS": ["rest_framework.permissions.AllowAny"],
    "SCHEMA_PATH_PREFIX": "/api/v1",
    "COMPONENT_SPLIT_REQUEST": True,
    "POSTPROCESSING_HOOKS": ["api.examples.added"],  # no hook of its own: words stay in place
    "SWAGGER_UI_DIST": "SIDECAR",
    "SWAGGER_UI_FAVICON_HREF": "SIDECAR",
}

LOG_FORM = env.choice("LOG_FORM", ("line", "json"), "line" if EMBEDDED or DEBUG else "json")
LOG_LEVEL = env.choice(
    "LOG_LEVEL",
    ("debug", "info", "warning", "error"),
    "warning" if EMBEDDED or DEBUG else "info",
)
LOGGING = logging_settings(form=LOG_FORM, level=LOG_LEVEL.upper())
