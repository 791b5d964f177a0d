"""One sitting as the rules see it: the person, the attempts, the arms, which readings count, and their mean."""
