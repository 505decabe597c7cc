package worker

import (
	"context"
	"encoding/json"
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// figures are the counts and times that a worker keeps for Prometheus. No label
// holds a name of a person, team or clip.
type figures struct {
	registry *prometheus.Registry
	analysis prometheus.Histogram
	overhead prometheus.Histogram
	verdicts *prometheus.CounterVec
	resent   prometheus.Counter
}

// verdictMeasured stands beside the Actions as what became of an attempt.
const verdictMeasured Action = "measured"

func newFigures(pipeline string) *figures {
	f := &figures{
		registry: prometheus.NewRegistry(),
		analysis: prometheus.NewHistogram(prometheus.HistogramOpts{Name: "nightcage_analysis_seconds",
			Help: "Time of one analysis, however it ended.", Buckets: []float64{1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1800}}),
		overhead: prometheus.NewHistogram(prometheus.HistogramOpts{Name: "nightcage_overhead_seconds",
			Help: "Time of one attempt besides its analysis: stored, announced, entered, acknowledged.", Buckets: []float64{.005, .01, .02, .05, .1, .2, .5, 1, 2, 5, 30}}),
		verdicts: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "nightcage_attempts_total",
			Help: "Attempts by what became of the job and by class of failure, empty when there was none."}, []string{"verdict", "class"}),
		resent: prometheus.NewCounter(prometheus.CounterOpts{Name: "nightcage_resent_jobs_total",
			Help: "Jobs that the queue had lost and that were put on it again."}),
	}
	info := prometheus.NewGauge(prometheus.GaugeOpts{Name: "nightcage_info", Help: "1, with the pipeline's version.",
		ConstLabels: prometheus.Labels{"pipeline": pipeline}})
	info.Set(1)
	f.registry.MustRegister(f.analysis, f.overhead, f.verdicts, f.resent, info,
		collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	for _, a := range []Action{verdictMeasured, ActUnmeasured, ActDead, ActLater, ActHandBack} {
		f.verdicts.WithLabelValues(string(a), "") // so that a first failure shows as a rise from 0
	}
	return f
}

var (
	descJobs   = prometheus.NewDesc("nightcage_jobs", "Jobs of this home's ledger by state.", []string{"state"}, nil)
	descOldest = prometheus.NewDesc("nightcage_oldest_job_age_seconds", "Age of the oldest job that is not done, 0 when none.", nil, nil)
	descQueue  = prometheus.NewDesc("nightcage_queue_jobs", "Jobs on the queue, over all workers: waiting, or taken (running or held back for a retry).", []string{"place"}, nil)
	descDead   = prometheus.NewDesc("nightcage_dead_letters", "Dead letters on the queue.", nil, nil)
	descSlots  = prometheus.NewDesc("nightcage_slots", "Slots of this worker, busy and free.", []string{"use"}, nil)
	descFree   = prometheus.NewDesc("nightcage_home_free_bytes", "Room on the home's file system.", nil, nil)
	descCheck  = prometheus.NewDesc("nightcage_check_ok", "1 when the check of the worker's health passes, 0 when not.", []string{"check"}, nil)
)

// scrape collects what is read at the moment it is asked for.
type scrape struct{ w *Worker }

// Describe implements prometheus.Collector.
func (s scrape) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{descJobs, descOldest, descQueue, descDead, descSlots, descFree, descCheck} {
		ch <- d
	}
}

// Collect implements prometheus.Collector. What cannot be read is left out; the
// check of the same thing is 0 then.
func (s scrape) Collect(ch chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), 2*probeWithin)
	defer cancel()
	gauge := func(d *prometheus.Desc, v float64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	for _, c := range s.w.Health(ctx).Checks {
		gauge(descCheck, float64(b2i(c.OK)), string(c.Name))
	}
	if t, err := s.w.Ledger.Tally(ctx); err == nil {
		for _, state := range States() {
			gauge(descJobs, float64(t.Count[state]), string(state))
		}
		age := 0.0
		if !t.Oldest.IsZero() {
			age = time.Since(t.Oldest).Seconds()
		}
		gauge(descOldest, age)
	}
	if free, err := freeBytes(s.w.Home.Dir()); err == nil {
		gauge(descFree, float64(free))
	}
	p := s.w.signs()
	p.mu.Lock()
	q, slots, busy := p.queue, len(p.slots), 0
	for _, slot := range p.slots {
		busy += b2i(slot.job != "")
	}
	p.mu.Unlock()
	gauge(descSlots, float64(busy), "busy")
	gauge(descSlots, float64(slots-busy), "free")
	if q == nil {
		return
	}
	if d, err := q.Depth(ctx); err == nil {
		gauge(descQueue, float64(d.Pending), "waiting")
		gauge(descQueue, float64(d.Taken), "taken")
		gauge(descDead, float64(d.Dead))
	}
}

// Face is what a worker shows over HTTP: /metrics for Prometheus, and /healthz and
// /readyz, which answer 200 or 503 with a Health in JSON. It gives away no name,
// but paths of this machine when a check fails.
func (w *Worker) Face() http.Handler {
	p := w.signs()
	all := prometheus.NewRegistry()
	all.MustRegister(scrape{w})
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", promhttp.HandlerFor(prometheus.Gatherers{p.figures.registry, all}, promhttp.HandlerOpts{MaxRequestsInFlight: 2}))
	health := func(ok func(Health) bool) http.HandlerFunc {
		return func(rw http.ResponseWriter, r *http.Request) {
			h := w.Health(r.Context())
			rw.Header().Set("Content-Type", "application/json")
			rw.Header().Set("Cache-Control", "no-store")
			if !ok(h) {
				rw.WriteHeader(http.StatusServiceUnavailable)
			}
			json.NewEncoder(rw).Encode(h) // the asker may be gone
		}
	}
	mux.HandleFunc("GET /healthz", health(func(h Health) bool { return h.Healthy }))
	mux.HandleFunc("GET /readyz", health(func(h Health) bool { return h.Ready }))
	return mux
}
