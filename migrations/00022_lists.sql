-- +goose Up

-- Which of its lists a run has rows for: 1 acknowledged, 2 confirmed; NULL in rows
-- from before. A row that is lost would read as an empty list without it.
ALTER TABLE runs ADD COLUMN lists INTEGER;
