# syntax=docker/dockerfile:1
# The Python that the tests run on.
FROM python:3.11-slim-bookworm AS build
WORKDIR /src
COPY pyproject.toml README.md LICENSE ./
COPY service service
COPY seed_demo seed_demo
COPY openapi_notes openapi_notes
RUN python -m venv /opt/manybatch && /opt/manybatch/bin/pip install --no-cache-dir '.[postgres]'

FROM python:3.11-slim-bookworm
RUN useradd --system --create-home --home-dir /var/lib/manybatch --uid 10001 manybatch
COPY --from=build /opt/manybatch /opt/manybatch
USER manybatch
WORKDIR /var/lib/manybatch
VOLUME /var/lib/manybatch
ENV PATH=/opt/manybatch/bin:$PATH \
    PYTHONUNBUFFERED=1 \
    MANYBATCH_HOST=0.0.0.0 \
    MANYBATCH_PORT=8000 \
    MANYBATCH_DATABASE_URL=sqlite:////var/lib/manybatch/manybatch.db
EXPOSE 8000
HEALTHCHECK --interval=30s --timeout=5s --start-period=20s \
    CMD ["python", "-c", "import os, urllib.request as r; r.urlopen(f\"http://127.0.0.1:{os.environ['MANYBATCH_PORT']}/health/ready\", timeout=4)"]
CMD ["manybatch", "serve"]
