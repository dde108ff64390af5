-- How each person wants to be told of findings. Append-only: the newest row of a person
-- holds. What is NULL is as the description of the telling has it.
CREATE SEQUENCE telling_wish_seq;
CREATE TABLE telling_wish (
    wish_id INTEGER PRIMARY KEY DEFAULT nextval('telling_wish_seq'),
    user_id INTEGER NOT NULL,
    wished_at TIMESTAMPTZ NOT NULL,
    way VARCHAR,
    least VARCHAR,
    at_once VARCHAR
);

-- From when on a person is told; the newest row holds. What came and went before is not news.
CREATE TABLE telling_from (
    user_id INTEGER NOT NULL,
    told_from TIMESTAMPTZ NOT NULL
);

-- Messages: written down before they are sent, so that no try is forgotten. One is in doubt
-- while it may have been accepted: it is sent again as it was before anything else is.
CREATE SEQUENCE telling_seq;
CREATE TABLE telling (
    telling_id INTEGER PRIMARY KEY DEFAULT nextval('telling_seq'),
    user_id INTEGER NOT NULL,
    delivery VARCHAR NOT NULL,
    way VARCHAR NOT NULL,
    tried_at TIMESTAMPTZ NOT NULL,
    retry_at TIMESTAMPTZ NOT NULL,
    news JSON NOT NULL,
    in_doubt BOOLEAN NOT NULL,
    accepted_at TIMESTAMPTZ,
    reason VARCHAR
);

-- Append-only: what each person was told once a server had accepted the message.
CREATE TABLE told (
    user_id INTEGER NOT NULL,
    finding_id INTEGER NOT NULL,
    times_opened INTEGER NOT NULL,
    what VARCHAR NOT NULL CHECK (what IN ('opened', 'cleared')),
    told_at TIMESTAMPTZ NOT NULL,
    telling_id INTEGER NOT NULL,
    PRIMARY KEY (user_id, finding_id, times_opened, what)
);
