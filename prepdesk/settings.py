"""Settings, all read from the environment.

With nothing set the project runs for a first look: SQLite under ``var/``, tasks in the process,
debug pages on. ``DEBUG=0`` is production: a secret key is required, cookies are secure, and the
demo people cannot be loaded.
"""

from pathlib import Path

import environ
from django.core.exceptions import ImproperlyConfigured

BASE_DIR = Path(__file__).resolve().parent.parent
VAR_DIR = BASE_DIR / "var"

env = environ.Env()

DEBUG: bool = env.bool("DEBUG", default=True)

SECRET_KEY: str = env.str("SECRET_KEY", default="")
if not SECRET_KEY:
    if not DEBUG:
        raise ImproperlyConfigured(
            "SECRET_KEY is not set. With DEBUG off the server refuses to start without one; "
            "set SECRET_KEY to 50 or more random characters."
        )
    # Sessions of a first look need not outlive a change of this line.
    SECRET_KEY = "only-for-a-first-look-on-this-machine-never-in-production"  # noqa: S105 (DEBUG only)

ALLOWED_HOSTS: list[str] = env.list(
    "ALLOWED_HOSTS", default=["localhost", "127.0.0.1", "[::1]", "testserver"] if DEBUG else []
)
CSRF_TRUSTED_ORIGINS: list[str] = env.list("CSRF_TRUSTED_ORIGINS", default=[])

INSTALLED_APPS = [
    "django.contrib.admin",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "whitenoise.runserver_nostatic",
    "django.contrib.staticfiles",
    "django.forms",
    "django_htmx",
    "csp",
    "rest_framework",
    "drf_spectacular",
    "drf_spectacular_sidecar",
    "prepdesk.core",
    "prepdesk.accounts",
    "inventory",
    "requests_app",
    "prepdesk.reports",
]

MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "csp.middleware.CSPMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    # Signing in is the default for every route; open views carry @login_not_required.
    "django.contrib.auth.middleware.LoginRequiredMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "prepdesk.core.middleware.PrivatePagesMiddleware",
    "prepdesk.core.middleware.BoundedUploadsMiddleware",
    "prepdesk.core.middleware.NoNullCharactersMiddleware",
    "prepdesk.core.middleware.DomainErrorMiddleware",
]

ROOT_URLCONF = "prepdesk.urls"
WSGI_APPLICATION = "prepdesk.wsgi.application"

TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [BASE_DIR / "templates"],
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "prepdesk.accounts.navigation.navigation",
            ],
        },
    },
]
FORM_RENDERER = "prepdesk.core.forms.FieldRenderer"

# --- database -------------------------------------------------------------------------------
DATABASES = {"default": env.db("DATABASE_URL", default=f"sqlite:///{VAR_DIR / 'prepdesk.sqlite3'}")}
if not env.str("DATABASE_URL", default=""):
    VAR_DIR.mkdir(exist_ok=True)
if DATABASES["default"]["ENGINE"] == "django.db.backends.sqlite3":
    DATABASES["default"].setdefault("OPTIONS", {}).update(
        {
            # A deferred transaction that turns into a writer answers "database is locked" at once,
            # whatever the timeout; an immediate one waits its turn.
            "transaction_mode": "IMMEDIATE",
            "timeout": 20,
            "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=NORMAL; PRAGMA foreign_keys=ON;",
        }
    )
else:
    DATABASES["default"].setdefault("CONN_MAX_AGE", 60)
    DATABASES["default"]["CONN_HEALTH_CHECKS"] = True
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

# --- background work ------------------------------------------------------------------------
REDIS_URL: str = env.str("REDIS_URL", default="")
CELERY_BROKER_URL = REDIS_URL or "memory://"
CELERY_TASK_ALWAYS_EAGER = not REDIS_URL
CELERY_TASK_IGNORE_RESULT = True
CELERY_TASK_SERIALIZER = "json"
CELERY_ACCEPT_CONTENT = ["json"]
CELERY_TASK_ACKS_LATE = True
CELERY_TASK_REJECT_ON_WORKER_LOST = True
CELERY_BROKER_TRANSPORT_OPTIONS = {
    "visibility_timeout": 900,
    "socket_timeout": 1.0,
    "socket_connect_timeout": 0.5,
}

CELERY_BEAT_SCHEDULE = {
    "send notices": {"task": "prepdesk.accounts.tasks.send_notices", "schedule": 300.0},
}

if REDIS_URL:
    CACHES = {
        "default": {
            "BACKEND": "django.core.cache.backends.redis.RedisCache",
            "LOCATION": REDIS_URL,
            # A cache that does not answer is done without, and nobody waits for it.
            "OPTIONS": {"socket_timeout": 1.0, "socket_connect_timeout": 0.5},
        }
    }
else:
    CACHES = {"default": {"BACKEND": "django.core.cache.backends.locmem.LocMemCache"}}
# Sessions live in the database: signing in and bench work go on when Redis does not answer.
SESSION_ENGINE = "django.contrib.sessions.backends.db"

# --- mail -----------------------------------------------------------------------------------
# Notices stand on their page in any case; mail repeats them for whoever chose it. Without an address
# of a mail server there is no mail, except that a first look prints it.
_EMAIL_URL: str = env.str("EMAIL_URL", default="consolemail://" if DEBUG else "")
MAIL_IS_ON = bool(_EMAIL_URL)
vars().update(env.email_url_config(_EMAIL_URL or "dummymail://"))
EMAIL_TIMEOUT = 5
DEFAULT_FROM_EMAIL: str = env.str("MAIL_FROM", default="Prepdesk <prepdesk@localhost>")
SERVER_EMAIL = DEFAULT_FROM_EMAIL
# Where people open the site, as https://prep.example.org; a mail then carries whole addresses.
SITE_URL: str = env.str("SITE_URL", default="").rstrip("/")

# --- people ---------------------------------------------------------------------------------
AUTH_USER_MODEL = "accounts.User"
LOGIN_URL = "accounts:sign_in"
LOGIN_REDIRECT_URL = "home"
LOGOUT_REDIRECT_URL = "accounts:sign_in"
PASSWORD_HASHERS = [
    "django.contrib.auth.hashers.Argon2PasswordHasher",
    "django.contrib.auth.hashers.PBKDF2PasswordHasher",
]
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {
        "NAME": "django.contrib.auth.password_validation.MinimumLengthValidator",
        "OPTIONS": {"min_length": 12},
    },
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
]

# --- language and time ----------------------------------------------------------------------
LANGUAGE_CODE = "en-gb"
TIME_ZONE: str = env.str("DEPARTMENT_TIME_ZONE", default="UTC")
# Stands in the footer of every page: a name, a room, a number to call.
HELP_CONTACT: str = env.str("HELP_CONTACT", default="the stockroom")
# Stands beside what a bottle cost, as "EUR"; money is shown bare where it is empty.
DEPARTMENT_CURRENCY: str = env.str("DEPARTMENT_CURRENCY", default="")
USE_I18N = True
USE_TZ = True

# --- static files ---------------------------------------------------------------------------
STATIC_URL = "static/"
STATIC_ROOT = VAR_DIR / "static"
STATICFILES_DIRS = [BASE_DIR / "prepdesk" / "static"]
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {
        "BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"
        if DEBUG
        else "whitenoise.storage.CompressedManifestStaticFilesStorage"
    },
}
# Certificates and safety data sheets: never under the static files, and never served by their address;
# a view that asks who is there hands them out.
MEDIA_ROOT: str = env.str("MEDIA_ROOT", default=str(VAR_DIR / "files"))

# --- the browser's side of security -----------------------------------------------------------
CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": ["'self'"],
        "script-src": ["'self'"],
        "style-src": ["'self'"],
        "img-src": ["'self'", "data:"],
        "connect-src": ["'self'"],
        "object-src": ["'none'"],
        "base-uri": ["'none'"],
        "form-action": ["'self'"],
        "frame-ancestors": ["'none'"],
    },
}
X_FRAME_OPTIONS = "DENY"
SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
SESSION_COOKIE_HTTPONLY = True
CSRF_COOKIE_HTTPONLY = True
SESSION_COOKIE_SAMESITE = CSRF_COOKIE_SAMESITE = "Lax"
SESSION_COOKIE_AGE = 12 * 3600
# A working day's typing must not be lost to a number of fields or a size nobody would reach.
DATA_UPLOAD_MAX_MEMORY_SIZE = 2_500_000
DATA_UPLOAD_MAX_NUMBER_FIELDS = 2_000
# Of a whole form with its files. More than any file that is taken, so that the form can say what fits.
UPLOAD_MAX_BYTES = 25_000_000

TLS_IN_FRONT: bool = env.bool("TLS", default=not DEBUG)
if TLS_IN_FRONT:
    SECURE_SSL_REDIRECT = env.bool("TLS_REDIRECT", default=True)
    SECURE_REDIRECT_EXEMPT = [r"^healthz$", r"^readyz$"]
    SECURE_HSTS_SECONDS = 31_536_000
    SECURE_HSTS_INCLUDE_SUBDOMAINS = True
    SECURE_HSTS_PRELOAD = True
    SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = True
    SESSION_COOKIE_NAME = "__Host-sessionid"
    CSRF_COOKIE_NAME = "__Host-csrftoken"
if env.bool("TRUST_X_FORWARDED_PROTO", default=False):
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")

# --- API ------------------------------------------------------------------------------------
REST_FRAMEWORK = {
    "DEFAULT_AUTHENTICATION_CLASSES": [
        "prepdesk.accounts.tokens.TokenAuthentication",
        "rest_framework.authentication.SessionAuthentication",
    ],
    "DEFAULT_PERMISSION_CLASSES": ["rest_framework.permissions.IsAuthenticated"],
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_PARSER_CLASSES": ["rest_framework.parsers.JSONParser"],
    "DEFAULT_SCHEMA_CLASS": "drf_spectacular.openapi.AutoSchema",
    "EXCEPTION_HANDLER": "prepdesk.core.api.error_answer",
    "DEFAULT_PAGINATION_CLASS": "rest_framework.pagination.PageNumberPagination",
    "PAGE_SIZE": 50,
    "UNAUTHENTICATED_USER": "django.contrib.auth.models.AnonymousUser",
}
SPECTACULAR_SETTINGS = {
    "TITLE": "Prepdesk",
    "DESCRIPTION": "Solution orders, preparations and stock of a teaching chemistry department.",
    "VERSION": "1",
    "SERVE_INCLUDE_SCHEMA": False,
    "SERVE_PERMISSIONS": ["rest_framework.permissions.IsAuthenticated"],
}

LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "handlers": {"console": {"class": "logging.StreamHandler"}},
    "root": {"handlers": ["console"], "level": env.str("LOG_LEVEL", default="INFO")},
}
