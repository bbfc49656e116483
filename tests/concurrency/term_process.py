"""A worker that orders a term in a process of its own, so that it can be killed."""

import sys

import django


def main() -> None:
    django.setup()
    from requests_app.services.term_work import work_on_run

    work_on_run(int(sys.argv[1]), int(sys.argv[2]))


if __name__ == "__main__":
    main()
