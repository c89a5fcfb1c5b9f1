package page

// afterRoutes are what a batch is looked back at with: report, files, comparison.
func (s *Server) afterRoutes() []route {
	return []route{
		{"GET /batch/{id}/report", person, s.getReport},
		{"GET /batch/{id}/export", person, s.getExports},
		{"GET /batch/{id}/export/{file}", person, s.getExport},
		{"GET /compare", person, s.getCompare},
	}
}
