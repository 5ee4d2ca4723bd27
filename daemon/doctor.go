package daemon

import (
	"cmp"
	"context"
	"crypto/rand"
	"crypto/tls"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"throwline/alerting"
	"throwline/daemon/export"
	"throwline/daemon/store"
	"throwline/ingest"
	"throwline/ingest/mqtt"
)

const (
	leastRoom  = 1 << 30 // bytes free under which the disk is short
	leastShare = 0.05    // likewise of the disk
	examined   = 5 * time.Second
	asideDays  = 7 // of refused messages that are spoken of
	asideRead  = 500
)

// Examine looks at everything that the program needs, without the program: the
// disk, the clock, the store, the broker and what comes of it within listen,
// and the targets. It changes nothing and sends nobody anything.
func Examine(ctx context.Context, c *Config, listen time.Duration) []alerting.Sign {
	signs := []alerting.Sign{c.examineDisk(), examineClock()}
	signs = append(signs, c.examineStore(ctx)...)
	if c.Broker.Listen != "" {
		signs = append(signs, c.examineOwnBroker(ctx))
	} else {
		signs = append(signs, c.examineBroker(ctx, listen)...)
	}
	return append(signs, c.examineTargets(ctx)...)
}

func (c *Config) examineDisk() alerting.Sign {
	s := alerting.Sign{What: "disk"}
	dir := c.DataDir
	for dir != "/" && dir != "." {
		if _, err := os.Stat(dir); err == nil {
			break
		}
		dir = filepath.Dir(dir)
	}
	var f unix.Statfs_t
	if err := unix.Statfs(dir, &f); err != nil {
		s.Word, s.Said, s.Do = alerting.Bad, "data_dir "+c.DataDir+" cannot be looked at: "+err.Error(), "make the folder, or name another as data_dir"
		return s
	}
	free, all := float64(f.Bavail)*float64(f.Bsize), float64(f.Blocks)*float64(f.Bsize)
	s.Said = fmt.Sprintf("%.1f GB of %.1f GB are free where the data are (%s)", free/1e9, all/1e9, c.DataDir)
	s.Word = alerting.Good
	if unix.Access(dir, unix.W_OK) != nil {
		s.Word, s.Do = alerting.Bad, "let the user that the program runs as write in "+dir
	} else if free < leastRoom || free < leastShare*all {
		s.Word, s.Do = alerting.Worse, "make room, or shorten retention.traces: a throw with its trace takes about 1.5 KB"
	}
	return s
}

// staUnsync of adjtimex(2): nothing keeps the clock right.
const staUnsync = 0x40

func examineClock() alerting.Sign {
	var t unix.Timex
	now := time.Now().UTC().Format("2006-01-02 15:04:05 MST")
	state, err := unix.Adjtimex(&t)
	switch {
	case err != nil:
		return alerting.Sign{What: "clock", Word: alerting.Unknown, Said: "it is " + now + "; whether something keeps it right cannot be told: " + err.Error(), Do: "compare it with another clock"}
	case state == unix.TIME_ERROR || t.Status&staUnsync != 0:
		return alerting.Sign{What: "clock", Word: alerting.Worse, Said: "it is " + now + "; the system says that nothing keeps it right", Do: "run an NTP client (chrony, systemd-timesyncd): throws are compared by their times"}
	}
	return alerting.Sign{What: "clock", Word: alerting.Good, Said: "it is " + now + ", and kept right", Do: ""}
}

func (c *Config) examineStore(ctx context.Context) []alerting.Sign {
	s := alerting.Sign{What: "store"}
	l, err := store.Look(ctx, c.storePath(), time.Now().Add(-asideDays*24*time.Hour), asideRead)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		s.Word, s.Said = alerting.Good, "there is none yet; the first start makes "+c.storePath()
		return []alerting.Sign{s}
	case err != nil:
		s.Word, s.Said, s.Do = alerting.Bad, err.Error(), "see what it says; throwline verify lists all that is damaged"
		return []alerting.Sign{s}
	}
	s.Word, s.Said = alerting.Good, fmt.Sprintf("%d turnouts, %.1f MB, version %d", l.Turnouts, float64(l.Bytes)/1e6, l.Version)
	if !l.LastArrival.IsZero() {
		s.Said += ", the last throw arrived " + about(time.Since(l.LastArrival)) + " ago"
	}
	if l.Held {
		s.Said += "; the program is running"
	} else {
		s.Said += "; the program is not running"
	}
	return append([]alerting.Sign{s, damageSign(&l, time.Now()), refusedSign(l.Aside)}, outboxSigns(l.Targets, time.Now())...)
}

// refusedSign says what was refused of late, and why.
func refusedSign(list []ingest.SetAside) alerting.Sign {
	s := alerting.Sign{What: "refused messages", Word: alerting.Good, Said: fmt.Sprintf("none in %d days", asideDays)}
	if len(list) == 0 {
		return s
	}
	why := map[string]int{}
	for _, a := range list {
		for _, f := range a.Faults {
			why[strings.TrimPrefix(f.Path+": expected "+f.Expected, ": ")]++
			break
		}
	}
	top := most(why)
	s.Word, s.Said = alerting.Worse, fmt.Sprintf("%d in %d days", len(list), asideDays)
	if len(list) >= asideRead {
		s.Said = fmt.Sprintf("at least %d in %d days", len(list), asideDays)
	}
	for _, w := range top[:min(3, len(top))] {
		s.Said += fmt.Sprintf("; %d times %s", why[w], w)
	}
	s.Do = "look at them on the page Refused messages; mend the sender, then send them through again there"
	return s
}

func outboxSigns(list []store.TargetState, now time.Time) (out []alerting.Sign) {
	for _, t := range list {
		s := alerting.Sign{What: "messages to " + t.Target, Word: alerting.Good, Said: fmt.Sprintf("%d sent", t.Sent)}
		if !t.LastSent.IsZero() {
			s.Said += ", the last " + about(now.Sub(t.LastSent)) + " ago"
		}
		if t.Waiting > 0 {
			s.Word = alerting.Worse
			s.Said += fmt.Sprintf("; %d wait, the oldest for %s", t.Waiting, about(now.Sub(t.Oldest)))
		}
		if t.LastFailure.After(t.LastSent) {
			s.Word = alerting.Bad
			s.Said += "; the last try failed: " + t.Failure
			s.Do = "see to the target; what waits is tried again by itself, for a week"
		}
		out = append(out, s)
	}
	return out
}

func (c *Config) examineBroker(ctx context.Context, listen time.Duration) []alerting.Sign {
	s := alerting.Sign{What: "broker", Word: alerting.Bad}
	var faults []string
	secure := c.MQTT.TLS.load(func(path, expected, found string) {
		faults = append(faults, path+": expected "+expected+", found "+found)
	})
	if faults != nil {
		s.Said, s.Do = strings.Join(faults, "; "), "mend mqtt.tls"
		return []alerting.Sign{s}
	}
	mapped := c.MQTT.mappings(func(string, string, string) {}) // it was checked when it was read
	messages := make(chan *mqtt.Message)
	link, err := c.connect(ctx, secure, func(l *mqtt.Link, m *mqtt.Message) {
		select {
		case messages <- m:
		case <-l.Gone():
		}
	})
	if err != nil {
		s.Said, s.Do = err.Error(), "see that the broker runs and that this machine reaches it"
		if text := strings.ToLower(err.Error()); strings.Contains(text, "not authorized") || strings.Contains(text, "bad user name") {
			s.Do = "the broker knows us not: see to mqtt.username and mqtt.password_file, and to the broker's own list"
		}
		return []alerting.Sign{s}
	}
	defer link.Close()
	s.Word, s.Said = alerting.Good, "connected to one of "+strings.Join(c.MQTT.Brokers, ", ")
	filters := append((&mqtt.Options{Prefix: c.MQTT.Prefix, Mapped: templates(mapped)}).Filters(), c.MQTT.Sparkplug.filters()...)
	var spark sparkHeard
	topics := alerting.Sign{What: "subscription", Word: alerting.Good, Said: "granted: " + strings.Join(filters, ", ")}
	listening := make(chan error, 1)
	go func() { listening <- link.Subscribe(ctx, filters...) }() // what is retained comes before the answer
	var throws, other, wrong int
	why, cabinets := map[string]int{}, map[string]bool{}
	reader := newReader(c.Limits.wireLimits())
	end := time.NewTimer(listen)
	defer end.Stop()
	for open, over := true, false; open || !over; {
		select {
		case <-ctx.Done():
			open, over = false, true
		case <-end.C:
			over = true
		case <-link.Lost():
			topics.Word, topics.Said, topics.Do = alerting.Bad, fmt.Sprintf("the connection was lost: %v", link.Err()), "see to the broker's log; two programs under one client_id throw each other out"
			return []alerting.Sign{s, topics}
		case err := <-listening:
			if open = false; err != nil {
				topics.Word, topics.Said, topics.Do = alerting.Bad, err.Error(), "let "+cmp.Or(c.MQTT.Username, "this client")+" read it in the broker's list"
				return []alerting.Sign{s, topics}
			}
		case m := <-messages:
			m.Ack()
			if spark.heard(c, m) {
				continue
			}
			p := placed(c.MQTT.Prefix, mapped, m.Topic, m.Payload, time.Now())
			if p.kind == aStrayTopic || m.Retained {
				other++
				continue
			}
			reader.read(p)
			cabinets[p.cabinet] = true
			switch {
			case p.refusal != nil:
				wrong++
				why[p.refusal.Error()]++
			case p.throw != nil:
				throws++
			default:
				other++
			}
		}
	}
	heard := alerting.Sign{What: "messages", Word: alerting.Good, Said: fmt.Sprintf("in %s: throws %d, of cabinets %d, refused %d, others %d", about(listen), throws, len(cabinets), wrong, other)}
	if wrong > 0 {
		heard.Word = alerting.Worse
		heard.Said += "; " + most(why)[0]
		heard.Do = "mend the sender: what it sends is set aside"
	} else if throws == 0 {
		heard.Word, heard.Do = alerting.Unknown, "nothing was thrown while we listened; listen longer (--listen), or look whether cabinets are connected to this broker under "+c.MQTT.Prefix
	}
	if len(c.MQTT.Sparkplug.Groups) > 0 {
		return []alerting.Sign{s, topics, heard, spark.sign(c, listen)}
	}
	return []alerting.Sign{s, topics, heard}
}

// connect opens a connection of which the broker keeps nothing, to the first
// of the brokers that answers.
func (c *Config) connect(ctx context.Context, secure *tls.Config, receive func(*mqtt.Link, *mqtt.Message)) (*mqtt.Link, error) {
	var errs []error
	for _, b := range c.MQTT.Brokers {
		link, err := mqtt.Connect(ctx, mqtt.LinkOptions{
			Broker: b, ClientID: "throwline-doctor-" + rand.Text()[:8], Username: c.MQTT.Username, Password: c.MQTT.Password, TLS: secure, Forget: true, Receive: receive,
		})
		if err == nil {
			return link, nil
		}
		errs = append(errs, fmt.Errorf("no connection to %s: %w", b, err))
	}
	return nil, errors.Join(errs...)
}

// most returns what was counted, the most frequent first.
func most(n map[string]int) []string {
	return slices.SortedFunc(maps.Keys(n), func(a, b string) int { return cmp.Or(cmp.Compare(n[b], n[a]), cmp.Compare(a, b)) })
}

// examineTargets looks whether targets can be reached. Nothing is sent to them.
func (c *Config) examineTargets(ctx context.Context) (out []alerting.Sign) {
	for _, name := range slices.Sorted(maps.Keys(c.Targets)) {
		t := c.Targets[name]
		s := alerting.Sign{What: "target " + name, Word: alerting.Good}
		var hosts []string
		switch {
		case t.Webhook != nil:
			hosts = append(hosts, hostPort(t.Webhook.URL))
		case t.Mail != nil:
			hosts = append(hosts, t.Mail.Server)
		case t.MQTT != nil && t.MQTT.Broker != "":
			hosts = append(hosts, hostPort(t.MQTT.Broker))
		case t.Alertmanager != nil:
			for _, u := range t.Alertmanager.URLs {
				hosts = append(hosts, hostPort(u))
			}
		}
		if len(hosts) == 0 {
			s.Said = t.Kind() + " over the program's own session"
		}
		for _, h := range hosts {
			d := net.Dialer{Timeout: examined}
			conn, err := d.DialContext(ctx, "tcp", h)
			if err != nil {
				s.Word, s.Do = alerting.Bad, "see that "+h+" runs and that this machine reaches it"
				s.Said = t.Kind() + " at " + h + " cannot be reached: " + err.Error()
				break
			}
			_ = conn.Close()
			s.Said = t.Kind() + " at " + h + " can be reached; the page Routes sends a trial"
		}
		out = append(out, s)
	}
	return out
}

func hostPort(address string) string {
	u, err := url.Parse(address)
	if err != nil {
		return address
	}
	port := u.Port()
	if port == "" {
		port = map[string]string{"http": "80", "https": "443", "tcp": "1883", "mqtt": "1883", "ssl": "8883", "mqtts": "8883"}[u.Scheme]
	}
	return net.JoinHostPort(u.Hostname(), port)
}

// Examine looks at the running program: what it needs, and how what it does fares.
func (d *Daemon) Examine(ctx context.Context) []alerting.Sign {
	c := *d.settings.Load()
	signs := []alerting.Sign{c.examineDisk(), examineClock()}
	s := alerting.Sign{What: "store", Word: alerting.Good, Said: fmt.Sprintf("%d turnouts, %.1f MB", d.size(), float64(d.store.Size())/1e6)}
	if t := d.pipeline.trouble.Load(); t != nil {
		s.Word, s.Said = alerting.Bad, "nothing can be committed for "+about(time.Since(t.since))+": "+t.err.Error()
		s.Do = "see to the disk; messages wait at the broker unacknowledged, and go through once it is mended"
	}
	signs = append(signs, s)
	s = alerting.Sign{What: "broker", Word: alerting.Good}
	switch st := d.session.Status(); {
	case !st.Connected:
		s.Word, s.Said, s.Do = alerting.Bad, "there is no connection: "+cmp.Or(st.LastError, "it was not tried yet"), "see that the broker runs and that this machine reaches it"
	case !st.Subscribed:
		s.Word, s.Said, s.Do = alerting.Bad, "it has not taken the subscriptions: "+st.LastError, "see to the broker's list of who may read what"
	default:
		s.Said = fmt.Sprintf("connected to %s for %s", st.Broker, about(d.Now().Sub(st.Since)))
		if st.Reconnects > 0 {
			s.Said += fmt.Sprintf("; the connection was lost %d times since the start", st.Reconnects)
		}
	}
	signs = append(signs, s)
	if d.spark != nil {
		signs = append(signs, d.spark.sign(d.Now()))
	}
	list, _, err := d.store.Quarantine(ctx, "", asideRead)
	if err != nil {
		signs = append(signs, alerting.Sign{What: "refused messages", Word: alerting.Bad, Said: err.Error(), Do: "see to the store"})
	} else {
		from := d.Now().Add(-asideDays * 24 * time.Hour)
		signs = append(signs, refusedSign(slices.DeleteFunc(list, func(a ingest.SetAside) bool { return a.At.Before(from) })))
	}
	if kept, err := d.store.OutboxState(ctx); err == nil {
		signs = append(signs, outboxSigns(kept, d.Now())...)
	}
	for _, e := range d.Exports() {
		signs = append(signs, exportSign(&e, d.Now()))
	}
	return append(signs, c.examineTargets(ctx)...)
}

func exportSign(e *export.State, now time.Time) alerting.Sign {
	s := alerting.Sign{What: "export " + e.Name, Word: alerting.Good, Said: fmt.Sprintf("to %s: %d points written", e.To, e.Written)}
	if e.BehindThrows+e.BehindEvents > 0 {
		s.Said += fmt.Sprintf(", %d throws and %d events behind (%s)", e.BehindThrows, e.BehindEvents, about(e.Behind(now)))
	}
	if e.Missed > 0 {
		s.Said += fmt.Sprintf(", %d throws were past their retention before they could be", e.Missed)
	}
	if e.Refused > 0 {
		s.Word, s.Do = alerting.Worse, "see the program's log for which points, and the store's for why"
		s.Said += fmt.Sprintf(", %d refused", e.Refused)
	}
	if e.Trouble != "" {
		s.Word, s.Do = alerting.Bad, "see that the store runs and has room; what waits is written by itself afterwards"
		if e.Setup {
			s.Do = "see to export.influx in the configuration: url, org, bucket and token"
		}
		s.Said += "; for " + about(now.Sub(e.TroubleSince)) + " nothing can be: " + e.Trouble
	}
	return s
}
