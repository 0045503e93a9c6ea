package routes

func (s *Server) deviceEditPages() []route { return nil }
