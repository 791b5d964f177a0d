"""Words for people: every code in a language, texts made when they are read, and the sentence for the person measured"""
