"""How does a result go to an adjudicator, and how is it checked there?

A dossier is a BagIt folder (RFC 8493): reports, data, stills, the attempt's facts and the
recording or its hashes under ``data/``, checksum lists beside it, signatures and time stamps
under ``seals/``.  Everybody signs the tag manifest, which fixes every byte of the rest.
"""
