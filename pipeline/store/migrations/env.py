"""Runs the migrations on the connection that ``open_database`` hands over."""

from alembic import context

context.configure(
    connection=context.config.attributes["connection"],
    version_table=context.config.attributes["version_table"],
)
with context.begin_transaction():
    context.run_migrations()
