package server_test

import (
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"
)

func in(d time.Duration) *timestamppb.Timestamp { return timestamppb.New(time.Now().Add(d)) }
