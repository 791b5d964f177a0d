import sys

from quietcuff.cli import main

sys.exit(main())
