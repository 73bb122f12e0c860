-- What is counted by day and stage is found without the answers themselves.
DROP INDEX answers_by_learner;
CREATE INDEX answers_by_learner ON answers (learner, day, stage, attempt, outcome, active_ms);
CREATE INDEX answers_withdrawn ON answers (learner) WHERE withdrawn;
