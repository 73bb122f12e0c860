-- 5
-- What must be said about a key's sound, as a sum: 1 soft, 2 brief, 4 few partials, 8 partials that beat alone, 16 clipped,
-- 32 over another string; that strings disagree is told by their unison. Bits never change their meaning; unknown ones are
-- left out when read.
ALTER TABLE check_keys ADD COLUMN remarks INTEGER NOT NULL DEFAULT 0;

-- Keys that were struck and hardly sounded.
CREATE TABLE check_mute (
    "check" INTEGER NOT NULL REFERENCES checks (id) ON DELETE CASCADE,
    key     INTEGER NOT NULL,
    PRIMARY KEY ("check", key)
) STRICT, WITHOUT ROWID;
