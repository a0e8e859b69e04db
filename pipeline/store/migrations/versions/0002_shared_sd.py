"""Measures tell how much of their uncertainty a player's strokes have in common."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column; of older measures nothing is known to be shared."""
    with _measures() as table:
        table.add_column(
            sa.Column("shared_sd", sa.Double(), nullable=False, server_default=sa.text("0"))
        )


def downgrade() -> None:
    """Drop the column."""
    with op.batch_alter_table("measures") as table:
        table.drop_column("shared_sd")


def _measures():
    """SQLite lays the table anew; told what it looks like, since not every Alembic reads checks."""
    return op.batch_alter_table(
        "measures",
        recreate="always" if op.get_bind().dialect.name == "sqlite" else "never",
        copy_from=sa.Table(
            "measures",
            sa.MetaData(),
            sa.Column("stroke_id", sa.Integer(), nullable=False),
            sa.Column("name", sa.Text(), nullable=False),
            sa.Column("place", sa.Integer(), nullable=False),
            sa.Column("value", sa.Double(), nullable=True),
            sa.Column("sd", sa.Double(), nullable=True),
            sa.Column("unit", sa.Text(), nullable=False),
            sa.Column("frame", sa.String(64), nullable=False),
            sa.Column("reason", sa.Text(), nullable=True),
            sa.PrimaryKeyConstraint("stroke_id", "name", name="pk_measures"),
            sa.CheckConstraint(
                "(value IS NOT NULL AND sd IS NOT NULL AND reason IS NULL)"
                " OR (value IS NULL AND sd IS NULL AND reason IS NOT NULL)",
                name="ck_measures_value_or_reason",
            ),
            sa.ForeignKeyConstraint(
                ["stroke_id"], ["strokes.id"], name="fk_measures_stroke_id", ondelete="CASCADE"
            ),
            sa.Index("ix_measures_name", "name"),
        ),
    )
