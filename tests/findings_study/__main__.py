"""`python -m tests.findings_study` runs the study."""

from tests.findings_study.run import main

if __name__ == "__main__":
    main()
