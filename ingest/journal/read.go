package journal

import (
	"context"
	"database/sql"
	"errors"
	"strings"
)

type scanner interface{ Scan(into ...any) error }

// queryer is a *sql.DB or, where several queries must see one state, a *sql.Tx.
type queryer interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
}

// query reads all rows by scan.
func query[T any](ctx context.Context, db queryer, text string, args []any, scan func(scanner) (T, error)) ([]T, error) {
	return sift(ctx, nil, db, text, args, scan)
}

// sift is query that leaves out the rows that are not what was written, and
// remembers what they were.
func sift[T any](ctx context.Context, out *findings, db queryer, text string, args []any, scan func(scanner) (T, error)) ([]T, error) {
	rows, err := db.QueryContext(ctx, text, args...)
	if err != nil {
		return nil, describe(err)
	}
	defer func() { _ = rows.Close() }()
	var all []T
	for rows.Next() {
		one, err := scan(rows)
		var d *damage
		if out != nil && errors.As(err, &d) && d.found != "" {
			out.add(d.found)
			continue
		}
		if err != nil {
			return nil, describe(err)
		}
		all = append(all, one)
	}
	if err := rows.Err(); err != nil {
		return nil, describe(err)
	}
	return all, nil
}

// first reads one row; ok is false if there is none.
func first[T any](ctx context.Context, db *sql.DB, text string, args []any, scan func(scanner) (T, error)) (one T, ok bool, err error) {
	one, err = scan(db.QueryRowContext(ctx, text, args...))
	if errors.Is(err, sql.ErrNoRows) {
		var none T
		return none, false, nil
	}
	return one, err == nil, describe(err)
}

// marks is n placeholders for an IN list.
func marks(n int) string { return strings.TrimSuffix(strings.Repeat("?,", n), ",") }

// atMost is a LIMIT; not positive means all.
func atMost(limit int) int {
	if limit <= 0 {
		return -1
	}
	return limit
}
