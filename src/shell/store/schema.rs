//! The store's forms, oldest first, and the way from one to the next.

use rusqlite::Connection;

use super::Store;
use super::error::StoreError;

/// Each brings the form before it up by one; never changed once released.
const MIGRATIONS: [&str; 5] = [
    include_str!("migrations/1.sql"),
    include_str!("migrations/2.sql"),
    include_str!("migrations/3.sql"),
    include_str!("migrations/4.sql"),
    include_str!("migrations/5.sql"),
];
/// The newest form.
pub(super) const NEWEST: i64 = MIGRATIONS.len() as i64;
/// "StvL": tells our files from other SQLite files.
pub(super) const APPLICATION: i64 = 0x5374_764C;

pub(super) fn form_of(connection: &Connection) -> rusqlite::Result<i64> {
    connection.pragma_query_value(None, "user_version", |row| row.get(0))
}

impl Store {
    pub(super) fn migrate(&mut self) -> Result<(), StoreError> {
        let found = self.sql(form_of)?;
        if found == NEWEST {
            return Ok(());
        }
        if found > NEWEST {
            return Err(StoreError::Newer {
                file: self.file.clone(),
                found,
                known: NEWEST,
            });
        }
        if found == 0 {
            // A new store gets all forms at once: there is nothing to back up between them.
            let foreign = self.write(|t| {
                // Another program may have been first.
                if form_of(t)? > 0 {
                    return Ok(false);
                }
                let tables: i64 =
                    t.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))?;
                if tables > 0 {
                    return Ok(true);
                }
                for migration in MIGRATIONS {
                    t.execute_batch(migration)?;
                }
                t.pragma_update(None, "application_id", APPLICATION)?;
                t.pragma_update(None, "user_version", NEWEST)?;
                Ok(false)
            })?;
            if foreign {
                return Err(StoreError::Damaged {
                    file: self.file.clone(),
                    detail: "it is a database of another program".to_owned(),
                });
            }
            return Ok(());
        }
        for (form, migration) in (1..).zip(MIGRATIONS).skip(found as usize) {
            self.check_with("quick_check")?;
            self.backup_as(&format!("before-form-{form}"))?;
            self.write(|t| {
                // Another program may have been first.
                if form_of(t)? >= form {
                    return Ok(());
                }
                t.execute_batch(migration)?;
                t.pragma_update(None, "application_id", APPLICATION)?;
                t.pragma_update(None, "user_version", form)
            })?;
        }
        Ok(())
    }
}
