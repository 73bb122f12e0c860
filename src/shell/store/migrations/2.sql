-- A learner's answers in the order of their recording, among those of a whole school.
CREATE INDEX answers_in_order ON answers (learner);
