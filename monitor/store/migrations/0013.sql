-- Who an account is at a provider that people sign in through. OpenID Connect Core 1.0, 5.7:
-- issuer and subject together are the one name that stays a person's; an e-mail may be given on.
CREATE TABLE account_provider (
    issuer VARCHAR NOT NULL,
    subject VARCHAR NOT NULL,
    user_id INTEGER NOT NULL,
    bound_at TIMESTAMPTZ NOT NULL,
    PRIMARY KEY (issuer, subject),
    UNIQUE (issuer, user_id)
);
