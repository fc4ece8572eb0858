# What a developer runs. `make` alone lists it. Go, git and node are expected;
# what else is missing, `make prepare` installs where it may.

TOOL := go tool -modfile=internal/tools/go.mod
BUF  := $(TOOL) buf

.PHONY: help
help: ## list the targets
	@grep -hE '^[a-z-]+:.*## ' $(MAKEFILE_LIST) | sed -E 's/:[^#]*## /\t/' | expand -t 16

.PHONY: generate
generate: ## write proto/gen, the TypeScript messages and the SQL code again
	$(BUF) generate --config .buf.yaml --template .buf.gen.yaml
	@if [ -x server/web/node_modules/.bin/protoc-gen-es ]; then \
	  echo '$(BUF) generate --config .buf.yaml --template .buf.gen.web.yaml'; \
	  $(BUF) generate --config .buf.yaml --template .buf.gen.web.yaml; \
	elif [ -f server/web/package.json ]; then \
	  echo 'generate: TypeScript left as it is: run npm ci in server/web first'; fi
	@if [ -f storage/sqlc.yaml ]; then \
	  echo '$(TOOL) sqlc generate -f storage/sqlc.yaml'; \
	  $(TOOL) sqlc generate -f storage/sqlc.yaml; fi

.PHONY: lint-proto
lint-proto: ## check the protos: style, comments
	$(BUF) lint --config .buf.yaml

.PHONY: imported-protos
imported-protos: ## print the protos that ours import from the modules in go.mod
	go run ./internal/protoprint
