package daemon_test

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"keyturn/daemon"
	"keyturn/daemon/dashboard"
	"keyturn/daemon/link"
	"keyturn/daemon/link/linktest"
	"keyturn/daemon/records"
	"keyturn/daemon/records/recordstest"
	"keyturn/protocol"
)

// shippedBroker is what the shop's broker is told, but for who may do what; it saves by
// the clock, as the README tells a large shop.
func shippedBroker(t *testing.T) string {
	t.Helper()
	text, err := os.ReadFile("../systemd/mosquitto/keyturn.conf")
	if err != nil {
		t.Fatal(err)
	}
	conf := "allow_anonymous true\nautosave_interval 10\npersistence_location " + t.TempDir() + "/\n"
	for line := range strings.Lines(string(text)) {
		name, _, _ := strings.Cut(line, " ")
		if name == "persistence" || strings.HasPrefix(name, "max_") {
			conf += line
		}
	}
	return conf
}

// TestLoad lets many benches publish what key cycles give through mosquitto into the
// records, each with its own connection and a cycle a minute, and prints what that costs
// the broker and the record keeper. Everything must arrive once. The long run is 1 000
// benches for ten minutes.
func TestLoad(t *testing.T) {
	for _, database := range []string{"sqlite", "postgres"} {
		t.Run(database, func(t *testing.T) {
			l := load{Benches: 1000, Results: 16, Every: time.Minute, Begin: 8 * time.Second}
			switch {
			case daemon.Raced:
				l.Benches, l.Results, l.Begin = 100, 6, 3*time.Second
			case *long:
				l.Results, l.Begin = 0, time.Minute
			case database == "postgres": // the broker is the same: less will do
				l.Benches, l.Results = 300, 8
			}
			runLoadTest(t, l, database)
		})
	}
}

func runLoadTest(t *testing.T, l load, database string) {
	dir := t.TempDir()
	url := filepath.Join(dir, "records.db")
	if database == "postgres" {
		url = recordstest.Postgres(t)
	}
	store, err := records.Open(t.Context(), records.Options{URL: url})
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	broker := linktest.Start(t, shippedBroker(t))
	keeper, err := dashboard.NewKeeper(dashboard.KeeperOptions{Broker: link.Broker{URL: broker.URL(), ClientID: chaosKeeper}, Root: protocol.DefaultRoot, Name: chaosKeeper, Records: store})
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() { keeper.Run(ctx); close(ended) }()
	defer func() { stop(); <-ended }()
	eventually(t, "the record keeper is there", func() bool { return keeper.Counts().Connects > 0 })

	l.Broker, l.Times = broker.URL(), filepath.Join(dir, "times")
	benches := l.start(t)
	kept := watchKept(keeper)
	cpu, began := processorTime(t), time.Now()
	if err := benches.Wait(); err != nil {
		t.Fatalf("the benches: %v", err)
	}
	published := l.times(t)
	eventually(t, "all is kept", func() bool {
		return keeper.Counts().New >= int64(len(published))
	})
	took, used := time.Since(began), processorTime(t)-cpu
	n := keeper.Counts()
	t.Logf("%d benches, %d results in %v: %.0f a second; the record keeper: %d kept, %d came again, %d refused, %d connections",
		l.Benches, len(published), took.Round(time.Second), float64(len(published))/took.Seconds(), n.New, n.Known, n.Refused, n.Connects)
	lag := kept.lag(published)
	t.Logf("from a bench to the disk: median %v, 99 %% %v, longest %v", lag(0.5), lag(0.99), lag(1))
	t.Logf("processor, of one: record keeper %.2f, broker %.2f; memory at most: %d MB, %d MB", used.Seconds()/took.Seconds(),
		processTime(t, broker.PID()).Seconds()/took.Seconds(), residentPeak(t, os.Getpid())>>20, residentPeak(t, broker.PID())>>20)
	size := sizeOf(t, url)
	t.Logf("the records: %d MB, %d bytes a result, of which a key cycle has 49", size>>20, size/int64(len(published)))
	if n.Refused > 0 || n.New != int64(len(published)) {
		t.Errorf("lost, doubled or refused: %+v of %d", n, len(published))
	}
	all, err := store.Streams(t.Context(), "")
	if err != nil || len(all) != l.Benches {
		t.Fatalf("%d streams, %v", len(all), err)
	}
	for _, s := range all {
		if want := int64(len(published) / l.Benches); s.UpToSeq != want || s.Last != want {
			t.Errorf("%s: complete up to %d, last %d, want %d", s.Stream, s.UpToSeq, s.Last, want)
		}
	}
}

// load says what a process of benches does.
type load struct {
	Broker  string
	Benches int
	Results int           // of each bench; 0: those of ten key cycles
	Every   time.Duration // a bench measures a key cycle
	Begin   time.Duration // until the last bench begins
	Times   string        // the file that gets the instants at which results were published
}

// loadEnv makes the test binary a process of benches.
const loadEnv = "KEYTURN_TEST_LOAD"

func (l *load) start(t *testing.T) *exec.Cmd {
	t.Helper()
	text, err := json.Marshal(l)
	if err != nil {
		t.Fatal(err)
	}
	c := exec.Command(os.Args[0])
	c.Env = append(os.Environ(), loadEnv+"="+string(text))
	c.Stdout, c.Stderr = os.Stderr, os.Stderr
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Process.Kill() }) // it may have ended
	return c
}

// times are the instants at which results were published, in their order.
func (l *load) times(t *testing.T) []int64 {
	t.Helper()
	text, err := os.ReadFile(l.Times)
	if err != nil {
		t.Fatal(err)
	}
	var all []int64
	for _, f := range strings.Fields(string(text)) {
		n, err := strconv.ParseInt(f, 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, n)
	}
	slices.Sort(all)
	return all
}

// runLoad is the process of benches: each has a connection and its own time to begin.
func runLoad(text string) error {
	var l load
	if err := json.Unmarshal([]byte(text), &l); err != nil {
		return err
	}
	benches, err := recordstest.LoadBenches()
	if err != nil {
		return err
	}
	connected, begin := make([]*link.Subscriber, l.Benches), make(chan time.Time)
	type outcome struct {
		times []int64
		err   error
	}
	done := make(chan outcome)
	for i := range l.Benches {
		name := fmt.Sprintf("bench-%d", i+1)
		if connected[i], err = link.NewSubscriber(context.Background(), link.SubscriberOptions{Broker: link.Broker{URL: l.Broker, ClientID: name}, Take: func(link.Message) {}}); err != nil {
			return err
		}
		go func() {
			first := (<-begin).Add(l.Begin * time.Duration(i) / time.Duration(l.Benches))
			times, err := publishResults(connected[i], benches, name, first, &l)
			done <- outcome{times, err}
		}()
	}
	at := time.Now()
	for range l.Benches {
		begin <- at
	}
	var out strings.Builder
	for range l.Benches {
		o := <-done
		if o.err != nil {
			return o.err
		}
		for _, n := range o.times {
			fmt.Fprintln(&out, n)
		}
	}
	for _, c := range connected {
		c.Close()
	}
	return os.WriteFile(l.Times, []byte(out.String()), 0o600)
}

// publishResults publishes what a bench measures, and returns when each result was.
func publishResults(c *link.Subscriber, benches *recordstest.Benches, name string, first time.Time, l *load) (times []int64, err error) {
	for seq := range cmp.Or(l.Results, 10*benches.Len()) {
		<-time.After(time.Until(first.Add(l.Every * time.Duration(seq) / time.Duration(benches.Len()))))
		row, payload := benches.Result(name, int64(seq+1))
		times = append(times, time.Now().UnixNano())
		if err := c.Publish(context.Background(), protocol.DefaultRoot+"/v1/"+name+"/"+row, false, payload); err != nil {
			return nil, err
		}
	}
	return times, nil
}

// keptCurve is how many results were kept by when.
type keptCurve struct {
	keeper *dashboard.Keeper
	stop   chan struct{}
	done   chan struct{}
	at     []int64
	count  []int64
}

// watchKept looks at a record keeper every 2 ms.
func watchKept(k *dashboard.Keeper) *keptCurve {
	c := &keptCurve{keeper: k, stop: make(chan struct{}), done: make(chan struct{})}
	go func() {
		defer close(c.done)
		tick := time.NewTicker(2 * time.Millisecond)
		defer tick.Stop()
		for {
			if n := k.Counts().New; len(c.count) == 0 || n != c.count[len(c.count)-1] {
				c.at, c.count = append(c.at, time.Now().UnixNano()), append(c.count, n)
			}
			select {
			case <-tick.C:
			case <-c.stop:
				return
			}
		}
	}()
	return c
}

// lag returns how long results took, by the share of them that took no longer: the n-th
// that was published to the n-th that was kept, for the broker keeps their order.
func (c *keptCurve) lag(published []int64) func(share float64) time.Duration {
	close(c.stop)
	<-c.done
	var all []time.Duration
	i := 0
	for n, at := range published {
		for i < len(c.count)-1 && c.count[i] <= int64(n) {
			i++
		}
		all = append(all, time.Duration(c.at[i]-at))
	}
	slices.Sort(all)
	return func(share float64) time.Duration {
		return all[min(len(all)-1, int(share*float64(len(all))))].Round(time.Millisecond)
	}
}

// processorTime is what this process has used so far.
func processorTime(t *testing.T) time.Duration {
	t.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		t.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// processTime is what another process has used: proc_pid_stat(5), fields 14 and 15, in
// hundredths of a second.
func processTime(t *testing.T, pid int) time.Duration {
	t.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		t.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(text), ") ")
	sum := 0
	for _, f := range strings.Fields(rest)[11:13] {
		n, err := strconv.Atoi(f)
		if err != nil {
			t.Fatal(err)
		}
		sum += n
	}
	return time.Duration(sum) * 10 * time.Millisecond
}

// residentPeak is the most memory that a process has had, in bytes.
func residentPeak(t *testing.T, pid int) int64 {
	t.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		t.Fatal(err)
	}
	return field(string(text), "VmHWM:") << 10
}

// sizeOf is how much the records take on the disk.
func sizeOf(t *testing.T, url string) int64 {
	t.Helper()
	if !strings.HasPrefix(url, "postgres:") {
		i, err := os.Stat(url)
		if err != nil {
			t.Fatal(err)
		}
		return i.Size()
	}
	db, err := sql.Open("pgx", url)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	var n int64
	if err := db.QueryRow("SELECT pg_database_size(current_database())").Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}
