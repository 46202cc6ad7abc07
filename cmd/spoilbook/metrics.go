package main

import (
	"cmp"
	"context"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"spoilbook/events"
	"spoilbook/services/intake"
	"spoilbook/services/ledger"
)

const (
	// maxWatched is how many sources have series of their own, trucks first; the
	// others share one, so that the number of series is bounded.
	maxWatched = 200

	scrapePatience = 5 * time.Second
)

// watched is what the metrics say of the ledger. Figures are asked for when they
// are read, so that they are right from the start and while nothing comes; one
// that can not be had is left out, and readiness says why.
type watched struct {
	s     *site
	fates *prometheus.CounterVec
	codes *prometheus.CounterVec
	lag   *prometheus.GaugeVec

	mu      sync.Mutex // one reading at a time
	figures figures
}

// figures are the descriptions of what is asked for at each reading.
type figures struct {
	position, sequence, pending, oldest, appended, held, memory, used, limit, ready, age, missing, others *prometheus.Desc
}

// watch registers the metrics that say whether anything is late or stuck, and
// where. The function returned is called after each block.
func (s *site) watch(registry *prometheus.Registry) func(intake.Progress) {
	w := &watched{s: s, figures: describeFigures(),
		fates: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "spoilbook_intake_messages_total", Help: "Messages handled, by what became of them."}, []string{"fate"}),
		codes: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "spoilbook_intake_refused_total", Help: "Messages quarantined, by the code of the reason."}, []string{"code"}),
		lag:   prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "spoilbook_intake_lag_seconds", Help: "From the broker's receipt of the last message handled to its record; absent before the first."}, nil)}
	for _, fate := range []string{"recorded", "duplicate", "quarantined"} {
		w.fates.WithLabelValues(fate)
	}
	for _, code := range intake.Refusals() {
		w.codes.WithLabelValues(code)
	}
	registry.MustRegister(w.fates, w.codes, w.lag, w)
	return w.block
}

// block counts what a block did.
func (w *watched) block(p intake.Progress) {
	w.fates.WithLabelValues("recorded").Add(float64(p.Recorded))
	w.fates.WithLabelValues("duplicate").Add(float64(p.Duplicates))
	w.fates.WithLabelValues("quarantined").Add(float64(p.Quarantined))
	for code, n := range p.Refused {
		w.codes.WithLabelValues(code).Add(float64(n))
	}
	w.lag.WithLabelValues().Set(p.Lag.Seconds())
}

// alarmed calls f after each block, and warns when one contradicted what is
// recorded: two devices count as one source, or somebody sends what is not theirs.
func (s *site) alarmed(f func(intake.Progress)) func(intake.Progress) {
	return func(p intake.Progress) {
		f(p)
		body, number := p.Refused[intake.RefuseOtherBody], p.Refused[intake.RefuseNumberTaken]
		if body+number > 0 {
			s.log.Warn("messages contradict what is recorded; see spoilbook quarantine list", "other_body", body, "number_taken", number,
				"first", p.FirstSeq, "last", p.StreamSeq, "position", p.Position)
		}
	}
}

func describeFigures() figures {
	figure := func(o prometheus.GaugeOpts, labels ...string) *prometheus.Desc {
		return prometheus.NewDesc(o.Name, o.Help, labels, nil)
	}
	return figures{
		position: figure(prometheus.GaugeOpts{Name: "spoilbook_ledger_position", Help: "Last position of the ledger."}),
		sequence: figure(prometheus.GaugeOpts{Name: "spoilbook_intake_stream_sequence", Help: "Last message of the stream that was handled."}),
		pending:  figure(prometheus.GaugeOpts{Name: "spoilbook_intake_pending_messages", Help: "Messages received and not handled."}),
		oldest:   figure(prometheus.GaugeOpts{Name: "spoilbook_intake_oldest_pending_seconds", Help: "Age of the oldest message not handled, 0 when there is none."}),
		appended: figure(prometheus.GaugeOpts{Name: "spoilbook_store_block_age_seconds", Help: "Since the last block was stored; absent before the first."}),
		held:     figure(prometheus.GaugeOpts{Name: "spoilbook_quarantine_held_entries", Help: "Quarantined messages that nobody has settled."}),
		memory:   figure(prometheus.GaugeOpts{Name: "spoilbook_store_memory_bytes", Help: "Memory that ClickHouse says it uses."}),
		used:     figure(prometheus.GaugeOpts{Name: "spoilbook_broker_used_bytes", Help: "Size of the events stream."}),
		limit:    figure(prometheus.GaugeOpts{Name: "spoilbook_broker_limit_bytes", Help: "Limit of the events stream."}),
		ready:    figure(prometheus.GaugeOpts{Name: "spoilbook_ready", Help: "1 for the reason that holds: ready, or the code of why not."}, "reason"),
		age:      figure(prometheus.GaugeOpts{Name: "spoilbook_source_age_seconds", Help: "Since anything of a source was recorded; of those without a series of their own, the longest."}, "source"),
		missing:  figure(prometheus.GaugeOpts{Name: "spoilbook_source_missing_numbers", Help: "Numbers of a source that are missing below its highest."}, "source"),
		others:   figure(prometheus.GaugeOpts{Name: "spoilbook_broker_other_writers_total", Help: "Batches refused because somebody else published for the same source meanwhile."}),
	}
}

// Describe sends the descriptions of what is asked for.
func (w *watched) Describe(out chan<- *prometheus.Desc) {
	f := &w.figures
	for _, d := range []*prometheus.Desc{f.position, f.sequence, f.pending, f.oldest, f.appended, f.held, f.memory, f.used, f.limit, f.ready, f.age, f.missing, f.others} {
		out <- d
	}
}

// Collect asks broker and store, for no longer than a reading may take.
func (w *watched) Collect(out chan<- prometheus.Metric) {
	w.mu.Lock()
	defer w.mu.Unlock()
	ctx, cancel := context.WithTimeout(context.Background(), scrapePatience)
	defer cancel()
	r := scrape{w, out}
	r.ready(ctx)
	if w.s.store != nil {
		r.store(ctx)
	}
	if w.s.store != nil && w.s.broker != nil {
		r.broker(ctx)
	}
}

// scrape is one reading of the figures.
type scrape struct {
	*watched
	out chan<- prometheus.Metric
}

func (r scrape) say(d *prometheus.Desc, value float64, labels ...string) {
	r.out <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, value, labels...)
}

// ready says why no traffic should come, as /health/ready does.
func (r scrape) ready(ctx context.Context) {
	reason := "ready"
	err := error(ledger.Fail(ledger.StoreDown, "not open yet"))
	if r.s.ledger != nil {
		if err = r.s.ledger.Health(ctx); err == nil {
			err = r.s.ready(ctx)
		}
	}
	if err != nil {
		reason = string(ledger.CodeOf(err))
	}
	known := []string{"ready", string(ledger.BrokerDown), string(ledger.BrokerFull), string(ledger.StoreDown), string(ledger.Damaged), string(ledger.InUse)}
	if !slices.Contains(known, reason) {
		known = append(known, reason)
	}
	for _, k := range known {
		value := 0.0
		if k == reason {
			value = 1
		}
		r.say(r.figures.ready, value, k)
	}
}

func (r scrape) store(ctx context.Context) {
	head, err := r.s.store.Head(ctx)
	if err != nil {
		return
	}
	r.say(r.figures.position, float64(head.Position))
	if !head.At.IsZero() {
		r.say(r.figures.appended, time.Since(head.At).Seconds())
	}
	if held, err := r.s.store.Held(ctx); err == nil {
		r.say(r.figures.held, float64(held))
	}
	if bytes, ok, err := r.s.store.MemoryBytes(ctx); err == nil && ok {
		r.say(r.figures.memory, float64(bytes))
	}
	if heads, err := r.s.store.SourceHeads(ctx, "", head.Position, ledger.MaxSources); err == nil {
		r.sources(heads)
	}
}

// sources gives the first sources series of their own, trucks before desks, and
// the others one together.
func (r scrape) sources(heads []ledger.SourceHead) {
	desk := func(h ledger.SourceHead) bool {
		return !strings.HasPrefix(string(h.Source), string(events.TruckSource("")))
	}
	rank := func(h ledger.SourceHead) int {
		if desk(h) {
			return 1
		}
		return 0
	}
	slices.SortFunc(heads, func(a, b ledger.SourceHead) int {
		return cmp.Or(cmp.Compare(rank(a), rank(b)), cmp.Compare(a.Source, b.Source))
	})
	own := heads[:min(len(heads), maxWatched)]
	for _, h := range own {
		r.say(r.figures.age, time.Since(h.Recorded).Seconds(), string(h.Source))
		r.say(r.figures.missing, float64(h.Highest-h.Count), string(h.Source))
	}
	if len(heads) == len(own) {
		return
	}
	age, missing := 0.0, uint64(0)
	for _, h := range heads[len(own):] {
		age, missing = max(age, time.Since(h.Recorded).Seconds()), missing+h.Highest-h.Count
	}
	r.say(r.figures.age, age, "others")
	r.say(r.figures.missing, float64(missing), "others")
}

func (r scrape) broker(ctx context.Context) {
	r.out <- prometheus.MustNewConstMetric(r.figures.others, prometheus.CounterValue, float64(r.s.broker.OtherWriters()))
	state, err := r.s.broker.StreamState(ctx)
	if err != nil {
		return
	}
	r.say(r.figures.used, float64(state.Bytes))
	r.say(r.figures.limit, float64(state.MaxBytes))
	stream, err := publisher{r.s.broker}.Stream(ctx)
	if err != nil {
		return
	}
	handled, err := r.s.store.Handled(ctx, stream)
	if err != nil {
		return
	}
	r.say(r.figures.sequence, float64(handled))
	pending := state.LastSeq - min(handled, state.LastSeq)
	r.say(r.figures.pending, float64(pending))
	if pending == 0 {
		r.say(r.figures.oldest, 0)
		return
	}
	if m, err := r.s.broker.Message(ctx, handled+1); err == nil {
		r.say(r.figures.oldest, max(0, time.Since(m.Received).Seconds()))
	}
}
