package deploy_test

import (
	"bytes"
	"debug/elf"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/goccy/go-yaml"

	"throwline/daemon"
	"throwline/ingest/mqtt/mosquittotest"
)

// containerfile is what the file says, read as far as the tests need it.
type containerfile struct {
	build, user, volume, port string
	env                       map[string]string
	entry, command, health    []string
	copied                    map[string]string // in the image, from where
}

func readContainerfile(t *testing.T) (c containerfile) {
	t.Helper()
	b, err := os.ReadFile("container/Containerfile")
	if err != nil {
		t.Fatal(err)
	}
	c.env, c.copied = map[string]string{}, map[string]string{}
	words := func(s string) (list []string) {
		if err := json.Unmarshal([]byte(s), &list); err != nil {
			t.Fatalf("%s: %v", s, err)
		}
		return list
	}
	final := false
	for line := range strings.Lines(string(b)) {
		word, rest, _ := strings.Cut(strings.TrimSpace(line), " ")
		switch word {
		case "FROM":
			final = rest == "scratch"
		case "RUN":
			if strings.Contains(rest, "go build") {
				c.build = rest
			}
		case "ENV":
			name, value, _ := strings.Cut(rest, "=")
			c.env[name] = value
		case "USER":
			c.user = rest
		case "VOLUME":
			c.volume = rest
		case "EXPOSE":
			c.port = rest
		case "HEALTHCHECK":
			_, list, _ := strings.Cut(rest, "CMD ")
			c.health = words(list)
		case "ENTRYPOINT":
			c.entry = words(rest)
		case "CMD":
			c.command = words(rest)
		case "COPY":
			if f := strings.Fields(rest); final {
				c.copied[f[len(f)-1]] = f[len(f)-2]
			}
		}
	}
	if !final || c.build == "" {
		t.Fatal("expected a last stage from scratch, and a build of the program")
	}
	return c
}

// keyed has every environment variable that the program reads.
func keyed(t *testing.T) map[string]bool {
	t.Helper()
	c := daemon.DefaultConfig()
	b, err := c.Print()
	if err != nil {
		t.Fatal(err)
	}
	var doc map[string]any
	if err := yaml.Unmarshal(b, &doc); err != nil {
		t.Fatal(err)
	}
	names := map[string]bool{daemon.PasswordFileVar: true, daemon.ClientSecretFileVar: true, daemon.InfluxTokenFileVar: true}
	var walk func(at string, v any)
	walk = func(at string, v any) {
		if m, ok := v.(map[string]any); ok {
			for k, v := range m {
				walk(at+"_"+strings.ToUpper(k), v)
			}
			return
		}
		name := strings.TrimSuffix(daemon.EnvPrefix, "_") + at
		names[name], names[name+"_FILE"] = true, true
	}
	walk("", doc)
	if !names["THROWLINE_HTTP_LISTEN"] || !names["THROWLINE_MQTT_BROKERS"] {
		t.Fatalf("found %v", names)
	}
	return names
}

// accepted checks a configuration with an environment as `throwline config
// check` does, and returns it.
func accepted(t *testing.T, data []byte, env map[string]string) daemon.Config {
	t.Helper()
	names := keyed(t)
	for name := range env {
		if !names[name] {
			t.Errorf("the program reads no %s", name)
		}
	}
	c, err := daemon.ReadConfig("throwline.yaml", data, func(name string) (string, bool) { v, ok := env[name]; return v, ok })
	if err != nil {
		t.Error(err)
	}
	return c
}

// runContainerBuild builds the program as the Containerfile says, into a folder.
func runContainerBuild(t *testing.T, c containerfile, out string) {
	t.Helper()
	line := strings.ReplaceAll(c.build, "/out/", out+"/")
	if line == c.build {
		t.Fatalf("expected a build into /out, found %s", c.build)
	}
	cmd := exec.Command("sh", "-euc", line)
	cmd.Dir = ".."
	cmd.Env = append(os.Environ(), "VERSION=9.9.9", "TARGETARCH=")
	if msg, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%s: %v\n%s", line, err, msg)
	}
}

// The image's program needs nothing beside itself: it is built as the
// Containerfile says and run in a root that holds what the image holds, by the
// image's user, with the image's environment, command and health check.
func TestContainer(t *testing.T) {
	c, root := readContainerfile(t), t.TempDir()
	made := t.TempDir()
	runContainerBuild(t, c, made)
	program := filepath.Join(made, "throwline")
	file, err := elf.Open(program)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	for _, p := range file.Progs {
		if p.Type == elf.PT_INTERP {
			t.Error("expected a static program, found one that asks for an interpreter")
		}
	}
	if list, err := file.ImportedLibraries(); err != nil || len(list) > 0 {
		t.Errorf("expected no library, found %v, %v", list, err)
	}
	var uid, gid uint32
	if n, err := fmt.Sscanf(c.user, "%d:%d", &uid, &gid); n != 2 || err != nil || uid == 0 || gid == 0 {
		t.Fatalf("expected a user other than root by number, found %s", c.user)
	}
	if c.copied["/etc/ssl/certs/ca-certificates.crt"] == "" || c.volume != c.env["THROWLINE_DATA_DIR"] || c.copied[c.volume] == "" || !strings.HasSuffix(c.env["THROWLINE_HTTP_LISTEN"], ":"+c.port) {
		t.Errorf("expected certificates, a volume for the data and the port listened at, found %+v", c)
	}
	if got := c.copied[c.command[len(c.command)-1]]; got != "/src/deploy/throwline.yaml" {
		t.Errorf("expected the sample as the configuration, found %s", got)
	}
	sample, err := os.ReadFile("throwline.yaml")
	if err != nil {
		t.Fatal(err)
	}
	env := map[string]string{"THROWLINE_ACCESS_PUBLIC_URL": "https://throwline.example"}
	for k, v := range c.env {
		env[k] = v
	}
	accepted(t, sample, env)

	if os.Geteuid() != 0 {
		if os.Getenv("CI") != "" {
			t.Fatal("expected root, to run in a root of its own")
		}
		t.Skip("needs root, to run in a root of its own")
	}
	for _, dir := range []string{filepath.Dir(c.entry[0]), "/etc/throwline", c.volume, "/tmp"} {
		if err := os.MkdirAll(filepath.Join(root, dir), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	for _, dir := range []string{c.volume, "/tmp"} {
		if err := os.Chown(filepath.Join(root, dir), int(uid), int(gid)); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Chmod(root, 0o755); err != nil {
		t.Fatal(err)
	}
	body, err := os.ReadFile(program)
	if err != nil {
		t.Fatal(err)
	}
	for name, data := range map[string][]byte{c.entry[0]: body, c.command[len(c.command)-1]: sample} {
		if err := os.WriteFile(filepath.Join(root, name), data, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	broker := mosquittotest.Start(t, "")
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	_, port, _ := net.SplitHostPort(taken.Addr().String())
	taken.Close()
	env["THROWLINE_HTTP_LISTEN"] = strings.Replace(env["THROWLINE_HTTP_LISTEN"], ":"+c.port, ":"+port, 1)
	env["THROWLINE_MQTT_BROKERS"] = broker.URL()
	env["THROWLINE_ACCESS_PUBLIC_URL"] = "http://localhost:" + port
	inside := func(args ...string) *exec.Cmd {
		cmd := exec.Command(args[0], args[1:]...)
		cmd.Dir, cmd.Env = "/", []string{}
		for k, v := range env {
			cmd.Env = append(cmd.Env, k+"="+v)
		}
		cmd.SysProcAttr = &syscall.SysProcAttr{Chroot: root, Credential: &syscall.Credential{Uid: uid, Gid: gid}}
		return cmd
	}
	if out, err := inside(c.health...).CombinedOutput(); err == nil || !strings.Contains(string(out), "connection refused") {
		t.Errorf("expected it unwell before it runs, found %v, %s", err, out)
	}
	// Time zones are in the program: this root has none.
	for zone, want := range map[string]string{"Europe/Oslo": "nothing is wrong", "Europe/Nowhere": "Europe/Nowhere"} {
		conf := "targets: {office: {mqtt: {topic: told}}}\nroutes: [{name: day, targets: [office], hours: {zone: " + zone + ", days: [mon], from: '06:00', to: '22:00'}}]\n"
		if err := os.WriteFile(filepath.Join(root, "/etc/throwline/zone.yaml"), []byte(conf), 0o644); err != nil {
			t.Fatal(err)
		}
		out, err := inside(c.entry[0], "config", "check", "/etc/throwline/zone.yaml").CombinedOutput()
		if (err == nil) != (zone == "Europe/Oslo") || !strings.Contains(string(out), want) {
			t.Errorf("%s: expected %s, found %v, %s", zone, want, err, out)
		}
	}
	var said bytes.Buffer
	serve := inside(append(slices.Clone(c.entry), c.command...)...)
	serve.Stdout, serve.Stderr = &said, &said
	if err := serve.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() {
		_ = serve.Process.Signal(syscall.SIGTERM)
		if err := serve.Wait(); err != nil {
			t.Errorf("expected it to end well, found %v", err)
		}
		if t.Failed() {
			t.Log(said.String())
		}
	}()
	var out []byte
	for range 300 {
		if out, err = inside(c.health...).CombinedOutput(); err == nil {
			break
		}
		time.Sleep(50 * time.Millisecond)
	}
	if err != nil || string(out) != "ready\n" {
		t.Fatalf("expected it to be ready, found %v, %s", err, out)
	}
	p := paho.NewClient(paho.NewClientOptions().AddBroker(broker.URL()).SetClientID("CAB-1"))
	if tok := p.Connect(); !tok.WaitTimeout(30*time.Second) || tok.Error() != nil {
		t.Fatal(tok.Error())
	}
	defer p.Disconnect(250)
	throw := `{"turnout":"W1","to":"normal","started_at":"` + time.Now().UTC().Format(time.RFC3339) + `","completed":true,"channels":[{"drive":"main",` +
		`"quantity":"motor_current","unit":"A","sample_rate_hz":10,"scale":0.01,"samples":[2,1,1140,620,395,402,371,368,364,370,366,369,540,318,96,12,3,1]}]}`
	if tok := p.Publish("throwline/v1/CAB-1/throw/W1", 1, false, throw); !tok.WaitTimeout(30*time.Second) || tok.Error() != nil {
		t.Fatal(tok.Error())
	}
	for range 300 {
		if out, err = inside(c.entry[0], "verify", "--config", c.command[len(c.command)-1]).CombinedOutput(); err == nil && strings.HasPrefix(string(out), "1 throws of 1 turnouts") {
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
	t.Errorf("expected the throw in the volume, found %v, %s", err, out)
}

// The compose file's environment is one that the program takes, and its ports,
// paths and checks are those of the image.
func TestCompose(t *testing.T) {
	b, err := os.ReadFile("container/compose.yaml")
	if err != nil {
		t.Fatal(err)
	}
	type service struct {
		Image       string
		Ports       []string
		Volumes     []string
		Environment map[string]string
		Build       struct{ Context, Dockerfile string }
		Healthcheck struct{ Test []string }
		ReadOnly    bool     `yaml:"read_only"`
		DependsOn   []string `yaml:"depends_on"`
	}
	var f struct {
		Services map[string]service
		Volumes  map[string]any
	}
	if err := yaml.Unmarshal(b, &f); err != nil {
		t.Fatal(err)
	}
	c, us, broker := readContainerfile(t), f.Services["throwline"], f.Services["mosquitto"]
	if _, err := os.Stat(filepath.Join("container", us.Build.Context, us.Build.Dockerfile)); err != nil {
		t.Error(err)
	}
	sample, err := os.ReadFile("throwline.yaml")
	if err != nil {
		t.Fatal(err)
	}
	env := map[string]string{}
	for k, v := range c.env {
		env[k] = v
	}
	otherwise := regexp.MustCompile(`\$\{\w+:-([^}]*)\}`)
	for k, v := range us.Environment {
		env[k] = otherwise.ReplaceAllString(v, "$1")
	}
	conf := accepted(t, sample, env)
	if conf.MQTT.Brokers[0] != "tcp://mosquitto:1883" || conf.Access.PublicURL != "http://localhost:8080" {
		t.Errorf("expected the broker of the file and the port published, found %v, %s", conf.MQTT.Brokers, conf.Access.PublicURL)
	}
	check := exec.Command("go", "run", "../daemon/cmd/throwline", "config", "check", "throwline.yaml")
	check.Env = os.Environ()
	for k, v := range env {
		check.Env = append(check.Env, k+"="+v)
	}
	if out, err := check.CombinedOutput(); err != nil {
		t.Errorf("expected it accepted, found %v, %s", err, out)
	}
	if !slices.Equal(us.Ports, []string{"127.0.0.1:8080:" + c.port}) || !slices.Equal(broker.Ports, []string{"127.0.0.1:1883:1883"}) {
		t.Errorf("expected this machine alone to reach them, found %v, %v", us.Ports, broker.Ports)
	}
	if !slices.Equal(us.Volumes, []string{"throwline:" + c.volume}) || len(f.Volumes) != 2 || !us.ReadOnly {
		t.Errorf("expected a volume for the data and nothing else written, found %v", us.Volumes)
	}
	if !slices.Equal(us.Healthcheck.Test, append([]string{"CMD"}, c.health...)) {
		t.Errorf("expected the image's check, found %v", us.Healthcheck.Test)
	}
	if image := strings.Split(broker.Image, ":"); len(image) != 2 || image[1] == "latest" {
		t.Errorf("expected a version, found %s", broker.Image)
	}

	// Its broker is the deployed one but for where it listens and keeps files.
	settings := func(name string) (list []string) {
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		for line := range strings.Lines(string(b)) {
			if line = strings.TrimSpace(line); line != "" && !strings.HasPrefix(line, "#") && !strings.HasPrefix(line, "listener ") && !strings.HasPrefix(line, "persistence_location ") {
				list = append(list, line)
			}
		}
		slices.Sort(list)
		return list
	}
	if a, b := settings("mosquitto.conf"), settings("container/mosquitto.conf"); !slices.Equal(a, b) {
		t.Errorf("expected\n%s\nfound\n%s", strings.Join(a, "\n"), strings.Join(b, "\n"))
	}
	mosquittotest.StartWith(t, func(port int, dir string) string {
		b, err := os.ReadFile("container/mosquitto.conf")
		if err != nil {
			t.Fatal(err)
		}
		return strings.NewReplacer("listener 1883", fmt.Sprintf("listener %d", port), "/mosquitto/data/", dir+"/").Replace(string(b))
	})
}

// What the cluster is told agrees with the image and with the program.
func TestKubernetes(t *testing.T) {
	type named struct{ Name string }
	type probe struct {
		HTTPGet struct{ Path, Port string } `yaml:"httpGet"`
	}
	type container struct {
		Args  []string
		Env   []struct{ Name, Value string }
		Ports []struct {
			Name          string
			ContainerPort int `yaml:"containerPort"`
		}
		StartupProbe    probe `yaml:"startupProbe"`
		LivenessProbe   probe `yaml:"livenessProbe"`
		ReadinessProbe  probe `yaml:"readinessProbe"`
		SecurityContext struct {
			ReadOnlyRootFilesystem bool `yaml:"readOnlyRootFilesystem"`
		} `yaml:"securityContext"`
		VolumeMounts []struct {
			Name      string
			MountPath string `yaml:"mountPath"`
		} `yaml:"volumeMounts"`
	}
	type object struct {
		Kind       string
		Metadata   named
		Data       map[string]string
		StringData map[string]string `yaml:"stringData"`
		Spec       struct {
			Replicas int
			Strategy struct{ Type string }
			Ports    []struct {
				TargetPort string `yaml:"targetPort"`
			}
			Template struct {
				Spec struct {
					SecurityContext struct {
						RunAsNonRoot bool   `yaml:"runAsNonRoot"`
						RunAsUser    uint32 `yaml:"runAsUser"`
						FSGroup      uint32 `yaml:"fsGroup"`
					} `yaml:"securityContext"`
					Containers []container
					Volumes    []struct {
						Name  string
						Claim struct {
							ClaimName string `yaml:"claimName"`
						} `yaml:"persistentVolumeClaim"`
						ConfigMap named `yaml:"configMap"`
						Secret    struct {
							SecretName string `yaml:"secretName"`
						}
					}
				}
			}
			Ingress []struct {
				Ports []struct{ Port int }
			}
		}
	}
	files, err := filepath.Glob("kubernetes/*.yaml")
	if err != nil || len(files) == 0 {
		t.Fatalf("found %v, %v", files, err)
	}
	objects := map[string]object{}
	for _, name := range files {
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		var o object
		d := yaml.NewDecoder(bytes.NewReader(b))
		if err := d.Decode(&o); err != nil || o.Metadata.Name != "throwline" {
			t.Fatalf("%s: found %+v, %v", name, o.Metadata, err)
		}
		if err := d.Decode(&object{}); err != io.EOF {
			t.Errorf("%s: expected one object, found more: %v", name, err)
		}
		objects[o.Kind] = o
	}
	for _, kind := range []string{"Deployment", "PersistentVolumeClaim", "Service", "ConfigMap", "Secret", "NetworkPolicy"} {
		if _, ok := objects[kind]; !ok {
			t.Fatalf("expected a %s", kind)
		}
	}
	spec, image := objects["Deployment"].Spec, readContainerfile(t)
	pod := spec.Template.Spec
	c := pod.Containers[0]
	if spec.Replicas != 1 || spec.Strategy.Type != "Recreate" {
		t.Errorf("expected never two at a time, found %d, %s", spec.Replicas, spec.Strategy.Type)
	}
	if s := pod.SecurityContext; fmt.Sprintf("%d:%d", s.RunAsUser, s.FSGroup) != image.user || !s.RunAsNonRoot || !c.SecurityContext.ReadOnlyRootFilesystem {
		t.Errorf("expected the image's user and a root that is read only, found %+v, %+v", s, c.SecurityContext)
	}
	if !slices.Equal(c.Args, image.command) {
		t.Errorf("expected the image's command, found %v", c.Args)
	}
	if p := c.Ports[0]; fmt.Sprint(p.ContainerPort) != image.port || objects["Service"].Spec.Ports[0].TargetPort != p.Name || objects["NetworkPolicy"].Spec.Ingress[0].Ports[0].Port != p.ContainerPort {
		t.Errorf("expected one port throughout, found %+v", p)
	}
	mounts, held := map[string]string{}, map[string]bool{}
	for _, m := range c.VolumeMounts {
		mounts[m.Name] = m.MountPath
	}
	for _, v := range pod.Volumes {
		for kind, name := range map[string]string{"PersistentVolumeClaim": v.Claim.ClaimName, "ConfigMap": v.ConfigMap.Name, "Secret": v.Secret.SecretName} {
			if name != "" {
				held[kind] = objects[kind].Metadata.Name == name && mounts[v.Name] != ""
			}
		}
	}
	if !held["PersistentVolumeClaim"] || !held["ConfigMap"] || !held["Secret"] || mounts["data"] != image.volume || mounts["tmp"] != "/tmp" {
		t.Errorf("expected what is declared to be mounted, found %v, %v", mounts, held)
	}

	// The configuration, with the secret in a folder of the test's.
	dir, env := t.TempDir(), map[string]string{}
	for name, text := range objects["Secret"].StringData {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for k, v := range image.env {
		env[k] = v
	}
	for _, e := range c.Env {
		env[e.Name] = strings.Replace(e.Value, mounts["secret"], dir, 1)
	}
	conf := accepted(t, []byte(objects["ConfigMap"].Data[filepath.Base(c.Args[len(c.Args)-1])]), env)
	if conf.MQTT.Password != "change-me" || conf.DataDir != mounts["data"] {
		t.Errorf("expected the secret's password and the claim's folder, found %q, %s", conf.MQTT.Password, conf.DataDir)
	}

	// The probes' paths are there, and need nobody to log in.
	broker := mosquittotest.Start(t, "")
	conf = daemon.DefaultConfig()
	conf.DataDir, conf.HTTP.Listen, conf.MQTT.Brokers, conf.Access.Mode = t.TempDir(), "127.0.0.1:0", []string{broker.URL()}, daemon.AccessAccounts
	d, err := daemon.New(t.Context(), conf, daemon.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := d.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	defer func() { _ = d.Stop(t.Context()) }()
	for _, p := range []probe{c.StartupProbe, c.LivenessProbe, c.ReadinessProbe} {
		status := 0
		for range 300 {
			res, err := http.Get("http://" + d.Addr() + p.HTTPGet.Path)
			if err != nil {
				t.Fatal(err)
			}
			_ = res.Body.Close()
			if status = res.StatusCode; status != http.StatusServiceUnavailable {
				break
			}
			time.Sleep(20 * time.Millisecond)
		}
		if status != http.StatusOK || p.HTTPGet.Port != c.Ports[0].Name {
			t.Errorf("%+v: found %d", p, status)
		}
	}
}
