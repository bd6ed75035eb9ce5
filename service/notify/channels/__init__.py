"""The ways out: mail, SMS by modem or gateway, webhooks. The only sending.

Door: :mod:`.base`, what all of them are to a job.
"""
