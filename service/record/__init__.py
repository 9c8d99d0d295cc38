# Whoever uses one table must find all of them, under the one convention of names that the first module sets: foreign
# keys, migrations and tests go by the whole list.
import service.record.tables
import service.record.trial_tables  # noqa: F401
