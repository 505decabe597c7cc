package worker

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
)

// queueServerProcess is a JetStream server as its own program runs it: the
// configuration file, signals included.
func queueServerProcess() int {
	opts, err := server.ProcessConfigFile(os.Getenv("NIGHTCAGE_TEST_CONF"))
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	srv, err := server.NewServer(opts)
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	srv.ConfigureLogger()
	srv.Start()
	srv.WaitForShutdown()
	return 0
}

// cluster is three JetStream servers with the configuration in deploy/nats.conf.
type cluster struct {
	t      *testing.T
	remote Remote
	conf   string
	env    [3][]string
	nodes  [3]*exec.Cmd
	logs   [3]*lockedBuffer
}

func newCluster(t *testing.T) *cluster {
	t.Helper()
	dir := t.TempDir()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	c := &cluster{t: t, conf: filepath.Join(dir, "nats.conf"), remote: Remote{Creds: filepath.Join(dir, "user.creds")}}
	c.remote.CA, c.remote.Cert, c.remote.Key = certs(t, dir)
	re := newRealm(t, c.remote.Creds)
	operator := filepath.Join(dir, "operator.jwt")
	must(os.WriteFile(operator, []byte(re.operator), 0o600))
	// A test does not wait for clients to leave at their leisure.
	must(os.WriteFile(c.conf, []byte(strings.Replace(string(deployed(t, "nats.conf")), "grace_period: 5s", "grace_period: 1s", 1)), 0o600))
	var ports []int
	for range 6 {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		must(err)
		defer l.Close()
		ports = append(ports, l.Addr().(*net.TCPAddr).Port)
	}
	var urls []string
	for i := range c.nodes {
		node := filepath.Join(dir, fmt.Sprint("night-", i+1))
		accounts := filepath.Join(node, "accounts")
		must(os.MkdirAll(accounts, 0o700))
		for pub, token := range re.accounts {
			must(os.WriteFile(filepath.Join(accounts, pub+".jwt"), []byte(token), 0o600))
		}
		c.env[i] = append(os.Environ(), "NIGHTCAGE_TEST_ROLE=queue server", "NIGHTCAGE_TEST_CONF="+c.conf,
			fmt.Sprintf("NODE=night-%d", i+1), fmt.Sprintf("CLIENTS=127.0.0.1:%d", ports[i]), fmt.Sprintf("ROUTES=127.0.0.1:%d", ports[3+i]),
			"STORE="+filepath.Join(node, "store"), "OPERATOR="+operator, "SYSTEM_ACCOUNT="+re.system, "ACCOUNTS="+accounts,
			"CA="+c.remote.CA, "CERT="+c.remote.Cert, "KEY="+c.remote.Key)
		for k := range c.nodes {
			c.env[i] = append(c.env[i], fmt.Sprintf("ROUTE_%d=nats-route://127.0.0.1:%d", k+1, ports[3+k]))
		}
		urls = append(urls, fmt.Sprintf("tls://127.0.0.1:%d", ports[i]))
	}
	c.remote.URL = strings.Join(urls, ",")
	t.Cleanup(func() {
		for i, cmd := range c.nodes {
			if cmd != nil {
				cmd.Process.Kill()
				cmd.Wait()
			}
			if t.Failed() && c.logs[i] != nil {
				log := c.logs[i].String()
				t.Logf("night-%d:\n%s", i+1, log[max(0, len(log)-3000):])
			}
		}
	})
	return c
}

func (c *cluster) start(i int) {
	c.t.Helper()
	c.logs[i] = &lockedBuffer{}
	c.nodes[i] = exec.Command(os.Args[0])
	c.nodes[i].Env, c.nodes[i].Stderr = c.env[i], c.logs[i]
	if err := c.nodes[i].Start(); err != nil {
		c.t.Fatal(err)
	}
}

// signal sends a signal to a node and, when it is one to end, waits for the end.
func (c *cluster) signal(i int, s syscall.Signal, ends bool) {
	c.t.Helper()
	if err := c.nodes[i].Process.Signal(s); err != nil {
		c.t.Fatal(err)
	}
	if ends {
		c.nodes[i].Wait()
	}
}

// whole waits until every stream has a leader and two replicas that are current.
func (c *cluster) whole(d *Desk) (leader int) {
	c.t.Helper()
	last := ""
	for end := time.Now().Add(60 * time.Second); time.Now().Before(end); time.Sleep(200 * time.Millisecond) {
		leader, last = -1, ""
		for _, name := range []string{jobsStream, deadStream, recordsStream} {
			ctx, cancel := context.WithTimeout(c.t.Context(), 3*time.Second)
			s, err := d.Queue.js.Stream(ctx, name)
			cancel()
			if err != nil {
				last = err.Error()
				break
			}
			cl := s.CachedInfo().Cluster
			current := 0
			for _, r := range cl.Replicas {
				current += b2i(r.Current && !r.Offline && r.Lag == 0)
			}
			if cl.Leader == "" || current != 2 {
				last = fmt.Sprintf("%s: leader %q, %d current of %d replicas", name, cl.Leader, current, len(cl.Replicas))
				break
			}
			if name == jobsStream {
				fmt.Sscanf(cl.Leader, "night-%d", &leader)
			}
		}
		if last == "" {
			return leader - 1
		}
	}
	c.t.Fatalf("the cluster does not become whole: %s", last)
	return 0
}

// A night on three servers, with clips handed in on one host and measured on two
// others. A server is killed, one is cut off and comes back, all three are upgraded
// one after the other, and so are the workers. Every clip is accounted for once.
func TestClusterNight(t *testing.T) {
	t.Parallel()
	c := newCluster(t)
	for i := range c.nodes {
		c.start(i)
	}
	desk := newNight(t)
	d := &Desk{Ledger: desk.Ledger, Records: desk.Records}
	for end := time.Now().Add(60 * time.Second); d.Queue == nil; time.Sleep(200 * time.Millisecond) {
		q, err := OpenQueue(t.Context(), desk.Home, QueueOptions{Remote: c.remote, Log: desk.Log})
		if err == nil {
			d.Queue = q
		} else if time.Now().After(end) {
			t.Fatal(err)
		}
	}
	defer func() { d.Queue.Close() }()
	c.whole(d)
	info, err := d.Queue.jobs.Info(t.Context())
	if err != nil || info.Config.Replicas != 3 {
		t.Fatalf("%+v, %v", info.Config, err)
	}

	hosts := []*night{newNight(t), newNight(t)}
	stops := make([]func(), len(hosts))
	work := func(i int) {
		h := hosts[i]
		h.Slots, h.Policy = 2, DefaultPolicy()
		h.Policy.Delays = []time.Duration{time.Second}
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- h.Serve(ctx, context.Background(), QueueOptions{Remote: c.remote, Log: h.Log}) }()
		var once sync.Once
		stops[i] = func() {
			once.Do(func() {
				cancel()
				if err := <-ended; err != nil {
					t.Errorf("host %d: %v", i+1, err)
				}
			})
		}
		t.Cleanup(stops[i])
	}
	work(0)
	work(1)

	// Half of the clips are in before the trouble begins, the others come all the
	// while. A submit that fails is repeated, as a person would.
	const clips = 160
	var jobs []Job
	for i := range clips {
		script := "slow 400ms"
		switch i % 40 {
		case 13:
			script = "bad"
		case 27:
			script = "nothing"
		}
		jobs = append(jobs, desk.clip(fmt.Sprintf("%03d.mp4", i), script))
	}
	half, submitted := make(chan struct{}), make(chan struct{})
	refused := 0
	go func() {
		defer close(submitted)
		for i, j := range jobs {
			for try := 0; ; try++ {
				ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
				_, err := d.Submit(ctx, j)
				cancel()
				if err == nil || t.Context().Err() != nil {
					break
				}
				refused++
				if !errors.Is(err, ErrQueue) && !errors.Is(err, context.DeadlineExceeded) || try > 20 {
					t.Errorf("submit: %v", err)
					break
				}
				time.Sleep(500 * time.Millisecond)
			}
			if i == clips/2 {
				close(half)
			}
			if i >= clips/2 {
				time.Sleep(200 * time.Millisecond)
			}
		}
	}()
	<-half

	began := time.Now()
	step := func(what string) { t.Logf("%5.1f s %s", time.Since(began).Seconds(), what) }
	dead := c.whole(d)
	step(fmt.Sprintf("night-%d, which leads, is killed", dead+1))
	c.signal(dead, syscall.SIGKILL, true)
	time.Sleep(3 * time.Second)
	c.start(dead)
	cut := c.whole(d)
	step(fmt.Sprintf("night-%d, which leads, is cut off", cut+1))
	c.signal(cut, syscall.SIGSTOP, false)
	time.Sleep(8 * time.Second)
	c.signal(cut, syscall.SIGCONT, false)
	c.whole(d)
	for i := range c.nodes {
		step(fmt.Sprintf("night-%d is upgraded", i+1))
		c.signal(i, syscall.SIGUSR2, true) // lame duck, the server's own way to leave
		c.start(i)
		c.whole(d)
	}
	for i := range hosts {
		step(fmt.Sprintf("host %d is upgraded", i+1))
		stops[i]()
		work(i)
	}
	<-submitted
	step(fmt.Sprintf("all clips are in, %d times a submit was refused", refused))
	for end := time.Now().Add(90 * time.Second); ; time.Sleep(500 * time.Millisecond) {
		r, err := Reconcile(t.Context(), d)
		depth, derr := d.Queue.Depth(t.Context())
		if err == nil && derr == nil && r.Open == r.Settled && depth.Jobs == 0 {
			break
		}
		if time.Now().After(end) {
			t.Fatalf("not done: %+v, %v; %+v, %v", r, err, depth, derr)
		}
	}
	step("all clips are done")

	a, err := Audit(t.Context(), d)
	if err != nil || !a.Balanced() || a.Submitted != clips || a.Recorded != clips-clips/40 || a.Dead != clips/40 {
		t.Errorf("%+v, %v", a, err)
	}
	stored := map[string]int{}
	for _, h := range hosts {
		ids, err := h.Records.IDs()
		if err != nil {
			t.Fatal(err)
		}
		for _, id := range ids {
			stored[id]++
		}
	}
	for _, j := range jobs {
		if stored[j.ID] != 1 {
			t.Errorf("job %s has records on %d hosts", j.ID, stored[j.ID])
		}
	}
	fmt.Printf("cluster: a server killed, one cut off, three upgraded, two workers upgraded, %d submits refused and repeated\n%s\n", refused, a)
}
