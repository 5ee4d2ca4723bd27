package daemon

import (
	"context"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"time"
)

// Reload takes a configuration while the program runs, whole or not at all.
// Nobody is told anything anew by it: who was told of what stays as it was. An
// error is a [*ConfigError] where the configuration asks for a restart.
func (d *Daemon) Reload(ctx context.Context, c Config) (err error) {
	defer func() { d.metrics.reload(err == nil) }()
	var fixed []Problem
	was := map[string]string{}
	leaves("", reflect.ValueOf(&d.c).Elem(), func(path string, v reflect.Value) { was[path] = fmt.Sprint(v.Interface()) })
	leaves("", reflect.ValueOf(&c).Elem(), func(path string, v reflect.Value) {
		if x := fmt.Sprint(v.Interface()); x != was[path] && !changes(path) {
			fixed = append(fixed, Problem{Path: path, Expected: was[path] + " until the next restart", Found: x})
		}
	})
	if len(fixed) == 0 && c.MQTT.Password != d.c.MQTT.Password {
		fixed = append(fixed, Problem{Path: "mqtt.password_file", Expected: "the same password until the next restart", Found: "another"})
	}
	fixed = append(fixed, sameMapped(&d.c, &c)...)
	fixed = append(fixed, sameSparkplug(&d.c, &c)...)
	if len(fixed) > 0 {
		return &ConfigError{"configuration", fixed}
	}
	list, err := d.hire(c.Targets)
	if err != nil {
		return err
	}
	if d.pair != nil { // the same files, with another certificate in them
		if err := d.pair.load(&c.HTTP.TLS); err != nil {
			return err
		}
	}
	// All of it between two batches: none sees a part.
	err = d.deed(ctx, func(f *filer, _ entries, made *draft) (refused, err error) {
		made.after = append(made.after, func() {
			f.set = c.Detection.settings()
			f.set.Limits = d.clerk.limits(f.set.Limits)
			d.clerk.mu.Lock()
			d.clerk.routes = slices.Clone(c.Routes)
			d.clerk.mu.Unlock()
			if was := d.settings.Swap(&c); was.Retention != c.Retention {
				select { // who makes room on a disk does not wait an hour for it
				case d.pruning <- struct{}{}:
				default:
				}
			}
			d.couriers.set(list)
			d.look()
		})
		return nil, nil
	})
	if err != nil {
		return fmt.Errorf("reload the configuration: %w", err)
	}
	return nil
}

// changes reports whether a key may change while the program runs: routes,
// targets, what detection is set to, silence, retention and the log.
func changes(path string) bool {
	first, _, _ := strings.Cut(path, ".")
	return slices.Contains([]string{"targets", "routes", "detection", "silence", "retention", "log"}, first)
}

func (m *metrics) reload(taken bool) {
	if !taken {
		m.reloaded.Set(0)
		return
	}
	m.reloaded.Set(1)
	m.reloadedAt.Set(float64(time.Now().UnixNano()) / 1e9)
}

// RefuseReload notes that a configuration could not be read.
func (d *Daemon) RefuseReload() { d.metrics.reload(false) }
