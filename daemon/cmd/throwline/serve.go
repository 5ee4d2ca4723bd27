package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"os"
	"os/signal"
	"strconv"
	"strings"
	"syscall"
	"time"

	sd "github.com/coreos/go-systemd/v22/daemon"
	"github.com/spf13/cobra"
	"golang.org/x/sys/unix"

	"throwline/alerting/screen"
	"throwline/daemon"
)

// stopWithin is how long a stop may take in all.
const stopWithin = 10 * time.Second

func serveCommand(t terminal) *cobra.Command {
	var config string
	c := &cobra.Command{
		Use:   "serve --config FILE",
		Short: "Take throws from a broker and show what they say",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			c, err := daemon.LoadConfig(config, t.env)
			if err != nil {
				return done(err)
			}
			return done(serve(cmd.Context(), c, t, func() (daemon.Config, error) { return daemon.LoadConfig(config, t.env) }))
		},
	}
	c.Flags().StringVar(&config, "config", "", "configuration file; deploy/throwline.yaml is one with every default")
	_ = c.MarkFlagRequired("config") // the flag is there
	return c
}

// serve runs the daemon until the context ends. At a hang-up signal it takes the
// configuration that again returns.
func serve(ctx context.Context, c daemon.Config, t terminal, again func() (daemon.Config, error)) error {
	level := new(slog.LevelVar)
	log := logger(c.Log, level, t.err)
	d, err := daemon.New(ctx, c, daemon.Options{Log: log, Version: version})
	if err != nil {
		return err
	}
	if err = d.Start(ctx); err == nil {
		lines := append(addresses(&c, d),
			"Broker:  "+brokers(&c, d)+", topics "+c.MQTT.Prefix+"/{cabinet}/throw/{turnout}")
		if c.Broker.UsersFile == "" && c.Broker.ClientCAFile == "" {
			m := c.MQTT
			if d.BrokerAddr() != "" {
				m.Brokers, m.TLS.CAFile = []string{d.BrokerAddr()}, c.Broker.CertFile
			}
			lines = append(lines, "Try it:  "+tryLine(&m))
		}
		err = say(t.out, append(lines, "", wrap(screen.Advisory))...)
	}
	if err == nil {
		hangup := make(chan os.Signal, 1)
		signal.Notify(hangup, syscall.SIGHUP)
		defer signal.Stop(hangup)
		by := supervised{log}
		watching, end := context.WithCancel(ctx)
		defer end()
		go by.watch(watching, d)
		by.tell(sd.SdNotifyReady)
		defer by.tell(sd.SdNotifyStopping)
		err = wait(ctx, d, hangup, func() {
			by.tell(sd.SdNotifyReloading + "\nMONOTONIC_USEC=" + monotonic())
			defer by.tell(sd.SdNotifyReady)
			c, err := again()
			if err == nil {
				err = d.Reload(ctx, c)
			} else {
				d.RefuseReload()
			}
			if err != nil {
				log.Error("the configuration was not taken; what was in force still is", "error", err)
				return
			}
			_ = level.UnmarshalText([]byte(c.Log.Level)) // checked
			log.Info("the configuration was taken")
		})
	}
	return errors.Join(err, stop(d))
}

// monotonic is the time that systemd wants beside the word of a reload, in µs.
func monotonic() string {
	var t unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &t); err != nil {
		return "0"
	}
	return strconv.FormatInt(t.Nano()/1000, 10)
}

// addresses says where the pages are, and how the first administrator is made
// where there is none.
func addresses(c *daemon.Config, d *daemon.Daemon) []string {
	base := c.HTTP.BaseURL(d.Addr()) + "/"
	if c.Access.PublicURL != "" {
		base = c.Access.PublicURL + "/"
	}
	lines := []string{"Page:    " + base}
	if path := d.SetupPath(); path != "" {
		lines = append(lines, "Set up:  "+strings.TrimSuffix(base, "/")+path,
			"         makes the first administrator; good once, until the program ends. Keep it to yourself.")
	}
	return lines
}

// brokers says where the cabinets' messages come from.
func brokers(c *daemon.Config, d *daemon.Daemon) string {
	if at := d.BrokerAddr(); at != "" {
		return at + " (its own)"
	}
	return strings.Join(c.MQTT.Brokers, ", ")
}

// wait returns when the program is asked to end or cannot go on.
func wait(ctx context.Context, d *daemon.Daemon, hangup <-chan os.Signal, reload func()) error {
	for {
		select {
		case <-ctx.Done():
			return nil
		case err := <-d.Failed():
			return err
		case <-hangup:
			reload()
		}
	}
}

func stop(d *daemon.Daemon) error {
	ctx, cancel := context.WithTimeout(context.Background(), stopWithin)
	defer cancel()
	if err := d.Stop(ctx); err != nil {
		return fmt.Errorf("stop: %w", err)
	}
	return nil
}

// tryLine returns a line for a shell that sends a throw of now, a new one each
// time. The trace is that of an invented electric drive, in units of 10 mA.
func tryLine(m *daemon.MQTTConfig) string {
	var b strings.Builder
	b.WriteString("mosquitto_pub -i TRY -q 1") // with a name: our broker configurations refuse a client without
	if u, err := url.Parse(m.Brokers[0]); err == nil {
		fmt.Fprintf(&b, " -h %s -p %s", u.Hostname(), u.Port())
		if u.Scheme == "ssl" || u.Scheme == "mqtts" {
			if m.TLS.CAFile != "" {
				fmt.Fprintf(&b, " --cafile %s", shellQuote(m.TLS.CAFile))
			} else {
				b.WriteString(" --tls-use-os-certs")
			}
			if m.TLS.CertFile != "" {
				fmt.Fprintf(&b, " --cert %s --key %s", shellQuote(m.TLS.CertFile), shellQuote(m.TLS.KeyFile))
			}
		}
	}
	if m.Username != "" {
		fmt.Fprintf(&b, " -u %s -P PASSWORD", shellQuote(m.Username))
	}
	fmt.Fprintf(&b, ` -t %s -m '{"turnout":"TRY-1","to":"normal","started_at":"'$(date -u +%%FT%%TZ)'","completed":true,`+
		`"channels":[{"drive":"main","quantity":"motor_current","unit":"A","sample_rate_hz":10,"scale":0.01,`+
		`"samples":[2,1,1140,620,395,402,371,368,364,370,366,369,372,367,365,371,374,380,388,402,431,468,512,540,318,96,12,3,1,2]}]}'`,
		shellQuote(m.Prefix+"/TRY/throw/TRY-1"))
	return b.String()
}

// shellQuote quotes s for a shell where that is needed.
func shellQuote(s string) string {
	plain := func(r rune) bool {
		return r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("/._-:", r)
	}
	if s != "" && strings.IndexFunc(s, func(r rune) bool { return !plain(r) }) < 0 {
		return s
	}
	return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
}
