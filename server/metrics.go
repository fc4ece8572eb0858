package server

import (
	"context"
	"fmt"
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	otelprom "go.opentelemetry.io/otel/exporters/prometheus"
	sdkmetric "go.opentelemetry.io/otel/sdk/metric"

	"witnessmark/internal/workflow"
)

// metrics holds what /metrics shows: calls by method and code, the queues, the
// process. It has a registry of its own, so that two servers in one process do
// not meet.
type metrics struct {
	registry *prometheus.Registry
	provider *sdkmetric.MeterProvider
}

func newMetrics(svc *workflow.Service) (*metrics, error) {
	m := &metrics{registry: prometheus.NewRegistry()}
	exporter, err := otelprom.New(otelprom.WithRegisterer(m.registry))
	if err != nil {
		return nil, fmt.Errorf("metrics: %w", err)
	}
	m.provider = sdkmetric.NewMeterProvider(sdkmetric.WithReader(exporter))
	for _, c := range []prometheus.Collector{collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}), queueDepths{svc}} {
		if err := m.registry.Register(c); err != nil {
			return nil, fmt.Errorf("metrics: %w", err)
		}
	}
	return m, nil
}

func (m *metrics) handler() http.Handler {
	return promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{})
}

var queueDepth = prometheus.NewDesc("witnessmark_queue_depth", "Items waiting or being worked on.", []string{"queue"}, nil)

// queueDepths asks the store when metrics are read.
type queueDepths struct{ svc *workflow.Service }

func (q queueDepths) Describe(ch chan<- *prometheus.Desc) { ch <- queueDepth }

func (q queueDepths) Collect(ch chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	depths, err := q.svc.Store.QueueDepths(ctx)
	if err != nil {
		ch <- prometheus.NewInvalidMetric(queueDepth, err)
		return
	}
	for name, n := range depths {
		ch <- prometheus.MustNewConstMetric(queueDepth, prometheus.GaugeValue, float64(n), name)
	}
}
