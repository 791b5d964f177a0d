from quietcuff.cli import main

main()
