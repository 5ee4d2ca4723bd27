package main

import (
	"bytes"
	"context"
	"crypto/tls"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"throwline/daemon"
)

// healthyCommand is a health check for where there is no shell and no curl,
// such as a container with nothing but the program in it.
func healthyCommand(t terminal) *cobra.Command {
	var config, address string
	var live bool
	var within time.Duration
	c := &cobra.Command{
		Use: "healthy [--url URL]", Short: "Ask the running program whether it is ready, by its exit code", Args: cobra.NoArgs,
		Long: "Asks /readyz, or /livez with --live, of the program on this machine and says what it answers. Exit code 0 where it is\n" +
			"well, 1 where it is not. Where it listens is read of --config, or of THROWLINE_HTTP_LISTEN, unless --url says it.",
		RunE: func(cmd *cobra.Command, _ []string) error {
			if within <= 0 {
				return fmt.Errorf("--within: expected a time above 0, found %s", within)
			}
			var secure *tls.Config
			if address == "" {
				h, err := listens(config, t.env)
				if err != nil {
					return done(err)
				}
				address, secure = h.BaseURL(h.Listen), theVery(h.TLS.CertFile)
			}
			u, err := url.Parse(address)
			if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Hostname() == "" {
				return fmt.Errorf("--url: expected an address like http://127.0.0.1:8080, found %q", address)
			}
			if u.Path == "" || u.Path == "/" {
				u.Path = "/readyz"
				if live {
					u.Path = "/livez"
				}
			}
			said, err := healthAt(cmd.Context(), u.String(), within, secure)
			if err != nil {
				return done(err)
			}
			return done(say(t.out, said))
		},
	}
	c.Flags().StringVar(&config, "config", "", "configuration file, the same that serve takes")
	c.Flags().StringVar(&address, "url", "", "address of the program; /readyz is asked unless a path is given")
	c.Flags().BoolVar(&live, "live", false, "ask only whether it runs (/livez), not whether throws come in")
	c.Flags().DurationVar(&within, "within", 4*time.Second, "how long an answer may take")
	return c
}

// listens is where the program listens: by its configuration, or, without one,
// by the environment and the default.
func listens(config string, env func(string) (string, bool)) (daemon.HTTPConfig, error) {
	if config != "" {
		c, err := daemon.LoadConfig(config, env)
		return c.HTTP, err
	}
	h := daemon.DefaultConfig().HTTP
	if v, ok := env(daemon.EnvPrefix + "HTTP_LISTEN"); ok {
		h.Listen = v
	}
	if v, ok := env(daemon.EnvPrefix + "HTTP_TLS_CERT_FILE"); ok {
		h.TLS.CertFile = v
	}
	return h, nil
}

// theVery is how one reaches a server that shows the certificate of a file:
// whatever name is on it, it is no other's.
func theVery(certFile string) *tls.Config {
	if certFile == "" {
		return nil
	}
	return &tls.Config{
		MinVersion:         tls.VersionTLS12,
		InsecureSkipVerify: true, // VerifyConnection is stricter
		VerifyConnection: func(s tls.ConnectionState) error {
			text, err := os.ReadFile(certFile)
			if err != nil {
				return err
			}
			if block, _ := pem.Decode(text); block == nil || !bytes.Equal(block.Bytes, s.PeerCertificates[0].Raw) {
				return errors.New("expected the certificate of " + certFile + ", found another")
			}
			return nil
		},
	}
}

// healthAt returns what the program answers there, or why it is not well.
func healthAt(ctx context.Context, address string, within time.Duration, secure *tls.Config) (string, error) {
	ctx, cancel := context.WithTimeout(ctx, within)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, address, nil)
	if err != nil {
		return "", err
	}
	res, err := (&http.Transport{TLSClientConfig: secure}).RoundTrip(req) // no proxy of the environment, no redirect to a login
	if err != nil {
		if errors.Is(err, context.DeadlineExceeded) {
			return "", fmt.Errorf("%s: expected an answer within %s, found none", address, within)
		}
		return "", fmt.Errorf("%s: expected the program to answer, found %w", address, err)
	}
	defer res.Body.Close()
	body, err := io.ReadAll(io.LimitReader(res.Body, 4096))
	if err != nil {
		return "", fmt.Errorf("%s: %w", address, err)
	}
	said := strings.TrimSpace(string(body))
	if res.StatusCode != http.StatusOK {
		return "", fmt.Errorf("%s: expected 200, found %d: %s", address, res.StatusCode, said)
	}
	return said, nil
}
