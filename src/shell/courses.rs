//! The courses of one's own that a learner has followed: each is kept as it was taken up, so that it can be gone back to
//! without its file. In: the record. Out: courses, and their texts.

use super::home::{Home, HomeError};
use crate::study::Course;

/// Before a course's id, where its text is kept among what is set for a learner.
const KEPT: &str = "course-text:";

impl Home {
    /// The course in use and those left before, as far as they came from files; by id.
    pub fn own_courses(&mut self) -> Result<Vec<Course>, HomeError> {
        let used = self.course().clone();
        let (store, learner) = self.parts();
        let mut courses: Vec<Course> = store
            .settings(learner.id)?
            .iter()
            .filter_map(|(key, text)| Some((key.strip_prefix(KEPT)?, text)))
            // What an older program wrote and this one cannot read is left out.
            .filter_map(|(id, text)| Course::parse(id, text).ok())
            .filter(|course| course.id != used.id && Course::built_in_text(&course.id).is_none())
            .collect();
        if Course::built_in_text(&used.id).is_none() {
            courses.push(used);
        }
        courses.sort_by(|a, b| a.id.cmp(&b.id));
        Ok(courses)
    }

    /// The text of a course that was followed before, by its id.
    pub fn kept_course(&mut self, id: &str) -> Result<Option<String>, HomeError> {
        let (store, learner) = self.parts();
        Ok(store.setting(learner.id, &format!("{KEPT}{id}"))?)
    }

    /// Keeps the course in use, if it came from a file, before another takes its place.
    pub(super) fn keep_course(&mut self) -> Result<(), HomeError> {
        let (store, learner) = self.parts();
        let id = learner.id;
        if let Some(course) = store.course(id)?
            && let Some(text) = course.text
        {
            store.set_setting(id, &format!("{KEPT}{}", course.id), Some(&text))?;
        }
        Ok(())
    }
}
