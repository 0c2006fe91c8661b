"""All settings, driven by the environment (see config/env.py for the spellings).

WEARBOOK_ENV says where this runs: 'production' (the default, which refuses unsafe values),
'local' (behind `manage.py start`) or 'test'.
"""

import secrets
from pathlib import Path

from celery.schedules import crontab
from django.core.exceptions import ImproperlyConfigured

from config import servers
from config.env import (
    broker_from_url,
    database_from_url,
    env_bool,
    env_choice,
    env_int,
    env_list,
    env_secret,
    env_str,
)
from fleet.decisions import RuleKind
from fleet.lifecycle import SheetState
from fleet.roles import Role
from fleet.vocabulary import Component, InstrumentKind
from inspections.rules.conformity import Outcome
from inspections.rules.lifecycle import InspectionState
from parts.rules.lifecycle import CountState, DemandState, OrderState, TransferState

BASE_DIR = Path(__file__).resolve().parent.parent
ENVIRONMENT = env_choice(
    "WEARBOOK_ENV", choices=("production", "local", "test"), default="production"
)
PRODUCTION = ENVIRONMENT == "production"
# Photos, and on a local start the servers' own files and the generated secret.
DATA_DIR = Path(env_str("WEARBOOK_DATA", default=str(servers.default_data_folder())))


def _secret_key() -> str:
    if PRODUCTION:
        key = env_secret("WEARBOOK_SECRET_KEY")
        if len(key) < 40 or len(set(key)) < 8 or "insecure" in key or "change" in key.lower():
            raise ImproperlyConfigured(
                "WEARBOOK_SECRET_KEY must be at least 40 random characters of your own, "
                "not a short, repeated or example value."
            )
        return key
    generated = DATA_DIR / "secret-key"
    if generated.is_file():
        return env_secret("WEARBOOK_SECRET_KEY", default=generated.read_text().strip())
    # A single local command without a data folder: no session outlives it.
    return env_secret("WEARBOOK_SECRET_KEY", default=secrets.token_urlsafe(50))


SECRET_KEY = _secret_key()

DEBUG = env_bool("WEARBOOK_DEBUG", default=False)
if DEBUG and PRODUCTION:
    raise ImproperlyConfigured("WEARBOOK_DEBUG must not be 'true' in production.")

ALLOWED_HOSTS = env_list(
    "WEARBOOK_ALLOWED_HOSTS", default="" if PRODUCTION else "localhost,127.0.0.1,[::1]"
)
if PRODUCTION and not ALLOWED_HOSTS:
    raise ImproperlyConfigured("WEARBOOK_ALLOWED_HOSTS is not set: list the site's host names.")
if PRODUCTION and any(host.strip(".*") == "" for host in ALLOWED_HOSTS):
    raise ImproperlyConfigured("WEARBOOK_ALLOWED_HOSTS must list host names, not '*'.")

INSTALLED_APPS = [
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "django.contrib.postgres",
    "rest_framework",
    "drf_spectacular",
    "django_filters",
    "django_htmx",
    "template_partials",
    "pgtrigger",
    "fleet.apps.FleetConfig",
    "inspections.apps.InspectionsConfig",
    "parts.apps.PartsConfig",
    "config.apps.StartUpConfig",
]

MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    "fleet.plumbing.csp.ContentSecurityPolicyMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
]

ROOT_URLCONF = "config.urls"
WSGI_APPLICATION = "config.wsgi.application"

TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "fleet.context.navigation",
            ],
        },
    },
]

# --- Database and Redis ----------------------------------------------------------------------

if PRODUCTION:
    _database_url, _redis_url = env_secret("DATABASE_URL"), env_secret("REDIS_URL")
else:
    _embedded = servers.addresses(DATA_DIR)
    _database_url = env_secret("DATABASE_URL", default=_embedded.database_url)
    _redis_url = env_secret("REDIS_URL", default=_embedded.redis_url)

DATABASES = {
    "default": {
        **database_from_url(_database_url),
        # Threads of the web server keep their connection; one that died is noticed and replaced.
        "CONN_MAX_AGE": 60,
        "CONN_HEALTH_CHECKS": True,
    }
}
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

CACHES = {
    "default": {
        "BACKEND": "django.core.cache.backends.redis.RedisCache",
        "LOCATION": _redis_url,
        "KEY_PREFIX": "wearbook",
    }
}

# --- People ----------------------------------------------------------------------------------

AUTH_USER_MODEL = "fleet.User"
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": f"django.contrib.auth.password_validation.{name}"}
    for name in (
        "UserAttributeSimilarityValidator",
        "MinimumLengthValidator",
        "CommonPasswordValidator",
        "NumericPasswordValidator",
    )
]
LOGIN_URL = "fleet:sign-in"
LOGIN_REDIRECT_URL = "parts:board"
LOGOUT_REDIRECT_URL = "fleet:sign-in"

# A shift: a tablet left on a bench signs itself out before the next day.
SESSION_COOKIE_AGE = 12 * 60 * 60
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SAMESITE = "Lax"
CSRF_COOKIE_HTTPONLY = True
CSRF_COOKIE_SAMESITE = "Lax"
CSRF_TRUSTED_ORIGINS = env_list("WEARBOOK_CSRF_TRUSTED_ORIGINS")

# --- Transport security ----------------------------------------------------------------------

# 'false' only where the site is reached over plain HTTP inside a closed network.
_https = env_bool("WEARBOOK_HTTPS", default=PRODUCTION)
SESSION_COOKIE_SECURE = _https
CSRF_COOKIE_SECURE = _https
SECURE_SSL_REDIRECT = _https and env_bool("WEARBOOK_SSL_REDIRECT", default=True)
# Health checks come from inside, by plain HTTP.
SECURE_REDIRECT_EXEMPT = [r"^healthz$"]
SECURE_HSTS_SECONDS = env_int("WEARBOOK_HSTS_SECONDS", default=31_536_000) if _https else 0
SECURE_HSTS_INCLUDE_SUBDOMAINS = _https
SECURE_HSTS_PRELOAD = _https
if env_bool("WEARBOOK_BEHIND_PROXY", default=False):
    # Only true where a proxy always sets this header itself; otherwise anybody could.
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
X_FRAME_OPTIONS = "DENY"

# --- Files -----------------------------------------------------------------------------------

STATIC_URL = "/static/"
# Only production collects the files; elsewhere they are served from the apps' folders.
STATIC_ROOT = (
    Path(env_str("WEARBOOK_STATIC_ROOT", default=str(BASE_DIR / "static-collected")))
    if PRODUCTION
    else None
)
MEDIA_ROOT = Path(env_str("WEARBOOK_MEDIA_ROOT", default=str(DATA_DIR / "media")))
MEDIA_URL = "/media/"
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {
        "BACKEND": "whitenoise.storage.CompressedManifestStaticFilesStorage"
        if PRODUCTION
        else "django.contrib.staticfiles.storage.StaticFilesStorage"
    },
}
WHITENOISE_USE_FINDERS = not PRODUCTION
WHITENOISE_AUTOREFRESH = DEBUG
DATA_UPLOAD_MAX_MEMORY_SIZE = 5 * 1024 * 1024
FILE_UPLOAD_MAX_MEMORY_SIZE = 2 * 1024 * 1024

# --- Language and time -----------------------------------------------------------------------

LANGUAGE_CODE = "en-gb"
USE_I18N = False
TIME_ZONE = "UTC"
USE_TZ = True

# --- API -------------------------------------------------------------------------------------

REST_FRAMEWORK = {
    "DEFAULT_AUTHENTICATION_CLASSES": [
        "fleet.plumbing.authentication.TokenAuthentication",
        "rest_framework.authentication.SessionAuthentication",
    ],
    "DEFAULT_PERMISSION_CLASSES": ["rest_framework.permissions.IsAuthenticated"],
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_PARSER_CLASSES": [
        "rest_framework.parsers.JSONParser",
        "rest_framework.parsers.MultiPartParser",
    ],
    "DEFAULT_FILTER_BACKENDS": ["django_filters.rest_framework.DjangoFilterBackend"],
    "DEFAULT_PAGINATION_CLASS": "fleet.plumbing.pagination.NewestFirst",
    "PAGE_SIZE": 50,
    # What a route takes is in the OpenAPI description; OPTIONS would tell it a second time.
    "DEFAULT_METADATA_CLASS": None,
    "DEFAULT_SCHEMA_CLASS": "fleet.plumbing.schema.Schema",
    "EXCEPTION_HANDLER": "fleet.plumbing.problems.exception_handler",
    "TEST_REQUEST_DEFAULT_FORMAT": "json",
}
SPECTACULAR_SETTINGS = {
    "TITLE": "Wearbook API",
    "VERSION": "1",
    "OAS_VERSION": "3.1.0",
    "SERVE_INCLUDE_SCHEMA": False,
    # One name for each closed list, where fields of several lists share a name.
    "ENUM_NAME_OVERRIDES": {
        "ComponentEnum": list(Component),
        "InstrumentKindEnum": list(InstrumentKind),
        "OutcomeEnum": list(Outcome),
        "RuleKindEnum": list(RuleKind),
        "SheetStateEnum": list(SheetState),
        "InspectionStateEnum": list(InspectionState),
        "DemandStateEnum": [(state.value, state.label) for state in DemandState],
        "TransferStateEnum": [(state.value, state.label) for state in TransferState],
        "OrderStateEnum": [(state.value, state.label) for state in OrderState],
        "CountStateEnum": [(state.value, state.label) for state in CountState],
        # Of one membership, and in the list that a new person gets.
        "RoleEnum": list(Role),
        "ImportKindEnum": "fleet.services.import_kinds.KINDS",
    },
}

# --- Background work -------------------------------------------------------------------------

# A task that outlives the visibility timeout would run twice at the same time: the hard limit
# stays well below it.
CELERY_TASK_SOFT_TIME_LIMIT = 120
CELERY_TASK_TIME_LIMIT = 150
CELERY_BROKER_URL = broker_from_url(_redis_url)
CELERY_BROKER_TRANSPORT_OPTIONS = {
    "visibility_timeout": 300,
    # By default the transport looks for lost messages every 100 s only.
    "unacked_restore_interval": 5,
    "unacked_restore_throttle": 1,
}
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
CELERY_BROKER_CONNECTION_MAX_RETRIES = None
CELERY_TASK_ACKS_LATE = True
CELERY_TASK_REJECT_ON_WORKER_LOST = True
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
CELERY_WORKER_CANCEL_LONG_RUNNING_TASKS_ON_CONNECTION_LOSS = True
CELERY_TASK_IGNORE_RESULT = True
CELERY_TASK_SERIALIZER = "json"
CELERY_ACCEPT_CONTENT = ["json"]
CELERY_TASK_DEFAULT_QUEUE = "wearbook"
CELERY_TIMEZONE = "UTC"
CELERY_BEAT_SCHEDULE = {
    "sweep-outbox": {"task": "fleet.sweep_outbox", "schedule": 10.0},
    # By the clock, not by age: beat keeps its schedule in memory, and an interval longer than
    # the time between two restarts would never end.
    "forget-old-keys": {"task": "fleet.forget_old_keys", "schedule": crontab(minute="17")},
    "check-ledger": {"task": "parts.check_ledger", "schedule": crontab(hour="3", minute="23")},
    # After midnight: what expired with the day is let go, and what is late counts as late.
    "plan-all": {"task": "parts.plan_all", "schedule": crontab(hour="0", minute="31")},
}

# 'true' lets messages to suppliers' systems go by plain http and into the own network.
WEBHOOKS_INSIDE = env_bool("WEARBOOK_WEBHOOKS_INSIDE", default=False)

# --- Log -------------------------------------------------------------------------------------

LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"line": {"format": "%(asctime)s %(levelname)s %(name)s: %(message)s"}},
    "handlers": {"stderr": {"class": "logging.StreamHandler", "formatter": "line"}},
    "root": {"handlers": ["stderr"], "level": env_str("WEARBOOK_LOG_LEVEL", default="INFO")},
    "loggers": {
        # Its default handlers would mail the administrators or print twice.
        "django": {"handlers": [], "propagate": True},
    },
}
