package server

import (
	"context"
	"encoding/json"
	"net/http"
	"sync"
	"time"

	"google.golang.org/grpc/codes"
	healthv1 "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"

	"witnessmark/storage/blob"
)

const (
	readyFresh = 2 * time.Second  // an answer about the store is good this long
	blobFresh  = 30 * time.Second // trying to write a blob costs more
	readyWait  = 5 * time.Second
)

// health answers whether the program lives and whether it can take evidence now.
type health struct {
	healthv1.UnimplementedHealthServer
	s *Server

	mu       sync.Mutex
	storeAt  time.Time
	storeErr error
	blobAt   time.Time
	blobErr  error
}

// ready reports why evidence cannot be taken now; nil if it can.
func (h *health) ready(ctx context.Context) error {
	if h.s.isStopping() {
		return stopping()
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), readyWait)
	defer cancel()
	now := time.Now()
	if now.Sub(h.storeAt) > readyFresh {
		h.storeErr, h.storeAt = h.s.svc.Store.Ping(ctx), now
	}
	if h.storeErr != nil {
		return h.storeErr
	}
	if now.Sub(h.blobAt) > blobFresh || h.blobErr != nil && now.Sub(h.blobAt) > readyFresh {
		h.blobErr, h.blobAt = blob.TryWriting(ctx, h.s.svc.Blobs), now
	}
	return h.blobErr
}

// liveness is the service name that asks only whether the program runs.
const liveness = "liveness"

// Check implements grpc.health.v1.
func (h *health) Check(ctx context.Context, r *healthv1.HealthCheckRequest) (*healthv1.HealthCheckResponse, error) {
	if _, ok := h.s.services[r.GetService()]; !ok && r.GetService() != "" && r.GetService() != liveness {
		return nil, status.Error(codes.NotFound, "there is no such service")
	}
	return &healthv1.HealthCheckResponse{Status: h.state(ctx, r.GetService())}, nil
}

func (h *health) state(ctx context.Context, service string) healthv1.HealthCheckResponse_ServingStatus {
	if service != liveness && h.ready(ctx) != nil {
		return healthv1.HealthCheckResponse_NOT_SERVING
	}
	return healthv1.HealthCheckResponse_SERVING
}

// Watch implements grpc.health.v1.
func (h *health) Watch(r *healthv1.HealthCheckRequest, stream healthv1.Health_WatchServer) error {
	last := healthv1.HealthCheckResponse_UNKNOWN
	t := time.NewTicker(5 * time.Second)
	defer t.Stop()
	for {
		now := healthv1.HealthCheckResponse_SERVICE_UNKNOWN
		if _, ok := h.s.services[r.GetService()]; ok || r.GetService() == "" || r.GetService() == liveness {
			now = h.state(stream.Context(), r.GetService())
		}
		if now != last {
			if err := stream.Send(&healthv1.HealthCheckResponse{Status: now}); err != nil {
				return err
			}
			last = now
		}
		select {
		case <-stream.Context().Done():
			return stream.Context().Err()
		case <-h.s.stopped:
			return stopping()
		case <-t.C:
		}
	}
}

// live and readiness are the same over plain HTTP.
func (h *health) live(w http.ResponseWriter, r *http.Request) { writeState(w, http.StatusOK, "live") }

func (h *health) readiness(w http.ResponseWriter, r *http.Request) {
	if err := h.ready(r.Context()); err != nil {
		h.s.log.WarnContext(r.Context(), "not ready", "err", err)
		writeState(w, http.StatusServiceUnavailable, "not ready")
		return
	}
	writeState(w, http.StatusOK, "ready")
}

func writeState(w http.ResponseWriter, code int, state string) {
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(code)
	_ = json.NewEncoder(w).Encode(map[string]string{"status": state}) // a probe that went away needs no answer
}
