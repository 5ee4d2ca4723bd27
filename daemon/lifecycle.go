package daemon

import (
	"context"
	"errors"
	"fmt"
)

// teardown is what has to be undone, last in first out.
type teardown struct{ steps []step }

type step struct {
	name string
	undo func(context.Context) error
}

func (t *teardown) push(name string, undo func(context.Context) error) {
	t.steps = append(t.steps, step{name, undo})
}

// run undoes all steps, each although one before it failed, and joins the errors.
func (t *teardown) run(ctx context.Context) error {
	var all []error
	for i := len(t.steps) - 1; i >= 0; i-- {
		s := t.steps[i]
		if err := s.undo(ctx); err != nil {
			all = append(all, fmt.Errorf("%s: %w", s.name, err))
		}
	}
	t.steps = nil
	return errors.Join(all...)
}

// await waits until done is closed, or says that it took too long.
func await(ctx context.Context, done <-chan struct{}) error {
	select {
	case <-done:
		return nil
	default:
	}
	select {
	case <-done:
		return nil
	case <-ctx.Done():
		return fmt.Errorf("still running: %w", ctx.Err())
	}
}
