# Debian slim, because every compiled package in the lock has a wheel for it.
FROM python:3.12-slim-bookworm

ENV PYTHONUNBUFFERED=1 PYTHONDONTWRITEBYTECODE=1
WORKDIR /srv/prepdesk

COPY requirements.txt ./
RUN pip install --no-cache-dir --require-hashes --only-binary=:all: -r requirements.txt

COPY manage.py ./
COPY prepdesk ./prepdesk
COPY inventory ./inventory
COPY requests_app ./requests_app
COPY templates ./templates

# The static files are the same for every installation; the key is needed to start, not to collect them.
RUN DEBUG=0 SECRET_KEY=collecting-static-files python manage.py collectstatic --noinput \
    && useradd --system --uid 10001 --home-dir /srv/prepdesk prepdesk \
    && mkdir -p var/files && chown -R prepdesk var/files

USER prepdesk
ENV DEBUG=0
EXPOSE 8000
CMD ["gunicorn", "prepdesk.wsgi:application", "--bind", "0.0.0.0:8000", "--workers", "3", "--access-logfile", "-"]
