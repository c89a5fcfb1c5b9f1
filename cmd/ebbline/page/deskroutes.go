package page

// deskRoutes are the forms that belong to no single batch, and the record of one.
func (s *Server) deskRoutes() []route {
	return []route{
		{"GET /batch/{id}/record", person, s.getRecord},
		{"GET /new", person, s.getNew},
		{"POST /new", person, s.postNew},
		{"GET /new/file", person, s.getNewFile},
		{"POST /new/file", person, s.postNewFile},
		{"GET /sensors", person, s.getSensors},
		{"POST /sensors/look", person, s.postLook},
		{"GET /sensors/use", person, s.getUse},
		{"POST /sensors/use", person, s.postUse},
		{"GET /sensors/calibrate", person, s.getCalibrate},
		{"POST /sensors/calibrate", person, s.postCalibrate},
		{"POST /clock", person, s.postClock},
		{"GET /phone", person, s.getPhone},
		{"POST /phone/test", person, s.postTest},
		{"POST /phone/quiet", person, s.postQuiet},
	}
}
